"""Topics: what is spoken is read back, what is not ours is refused with a reason."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wheelpit.contract import topics

ids = st.from_regex(r"[a-z0-9-]{1,32}", fullmatch=True)


@given(ids, ids, st.sampled_from(topics.NODE_KINDS))
def test_what_a_node_says_is_read_back(site: str, node: str, kind: topics.NodeKind) -> None:
    assert topics.parse(topics.from_node(site, node, kind)) == topics.Topic(site, node, kind)


@pytest.mark.parametrize(
    ("topic", "why"),
    [
        ("wheelpit/2/a/b/record", "speaks version 2"),
        ("wheelpit/1/a/b", "is not wheelpit/1"),
        ("other/1/a/b/record", "is not wheelpit/1"),
        ("wheelpit/1/A/b/record", "take 1 to 32"),
        ("wheelpit/1//b/record", "take 1 to 32"),
        ("wheelpit/1/a/" + "b" * 33 + "/record", "take 1 to 32"),
        ("wheelpit/1/a/b/record\n", "take 1 to 32"),
    ],
)
def test_a_strange_topic_is_refused_with_the_reason(topic: str, why: str) -> None:
    with pytest.raises(topics.TopicError, match=why):
        topics.parse(topic)


def test_the_host_does_not_hear_itself() -> None:
    filters = topics.node_filters("a")
    assert all(f.count("+") == 1 for f in filters)
    kinds = {f.rsplit("/", 1)[1] for f in filters}
    assert "receipt" not in kinds
    assert "time" not in kinds


@given(st.text(max_size=40))
def test_an_id_is_accepted_exactly_when_a_topic_may_carry_it(text: str) -> None:
    try:
        topics.check_id(text, "site")
    except ValueError:
        with pytest.raises(topics.TopicError):
            topics.parse(f"wheelpit/1/{text}/b/record")
    else:
        assert topics.parse(f"wheelpit/1/{text}/b/record").site == text
