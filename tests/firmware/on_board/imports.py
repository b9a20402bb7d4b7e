"""Imports the modules named as arguments, in this order, and reports the heap in use after each."""

import gc
import json
import sys

used = {}
for name in sys.argv[1:]:
    gc.collect()
    __import__("node." + name)
    gc.collect()
    used[name] = gc.mem_alloc()
print(json.dumps(used))
