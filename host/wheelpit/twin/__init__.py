"""The simulated plant: river, wheel, belt, alternator, bridge, converter, controller, battery, loads and faults.

`TwinPlant` is the plant as a library, stepped as fast as the machine allows; `server` runs it in real time
and feeds simulated boards. It is a model with round numbers, good enough to try a monitor on; it says nothing
about how a real wheel behaves in a fault, and no safety may be judged from it.
"""
