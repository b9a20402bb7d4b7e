"""Who may write: nobody, unless the board was started to take readings; then whoever has the code that it printed."""

from __future__ import annotations

import hmac
import os
from typing import Final, Literal

import streamlit as st

CODE_ENVIRONMENT: Final = "WHEELPIT_BENCH_CODE"
# In the address that the command prints, so that a page loaded anew needs no typing.
PARAMETER: Final = "code"

Access = Literal["shut", "locked", "open"]


def access() -> Access:
    """Return whether this board takes readings at all, and whether this browser has told the code."""
    code = os.environ.get(CODE_ENVIRONMENT, "")
    if not code:
        return "shut"
    # An address kept from an earlier start holds an old code; one that is typed below it counts all the same.
    for told in (st.query_params.get(PARAMETER), st.session_state.get(PARAMETER)):
        if told and hmac.compare_digest(str(told).strip().lower().encode(), code.encode()):
            # Another page of the board drops the parameter; this browser's session keeps it.
            st.session_state[PARAMETER] = code
            if st.query_params.get(PARAMETER) != code:
                st.query_params[PARAMETER] = code
            return "open"
    return "locked"
