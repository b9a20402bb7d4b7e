"""Writes messages with awkward values and prints them."""

from node import encode, names, records
from node.packets import Message

layout = names.layout_of(["wheel_rpm", "battery_v", "charge_a", "stage_m", "battery_degc"])
message = Message("probe/record", qos=1, retain=False, size=4096)
encoder = encode.RecordEncoder(layout, "0123456789abcdef", message)
for big in (0, 1 << 40):
    encoder.begin(big)
    for n in (1, 2):
        rec = records.Rec(
            n,
            n,
            1,
            big + 10,
            10,
            10,
            None,
            "none",
            "slow",
            [10400, 13050, -5, 12345, None],
            [0, -1, -999, 1, None],
            [999, 1000, 1001, 99999, -50],
            [big + 999999999 + i for i in range(len(layout.totals))],
            [None, "bus", None, None, "absent"],
        )
        encoder.add(rec, big or None, "host")
    print(encoder.end().payload().decode())
live = encode.LiveEncoder(layout, "0123456789abcdef", 1, message)
snapshot = records.Snapshot(layout)
snapshot.values = [-1, 10, 100, 1000, 10000]
print(live.fill(snapshot).payload().decode())
text = 'a "quoted" \\ line\nand ünïcode'
print(encode.fill(message, {"some": [text, 1, -2, True, None, [], {}]}).payload().decode())
