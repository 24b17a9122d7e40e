"""A thermostat in a process of its own, as somebody's controller under test: python-can, and nothing of ours.

python controller.py PORT SENSOR SECONDS: it works until a time since the start, by the time stamps of the frames. As
"rvsim" instead of a port it opens python-can's interface of that name and prints its verdict.
"""

import sys

import can
from thermostat import Thermostat  # type: ignore[import-not-found]

port, sensor, seconds = sys.argv[1:4]
if port == "rvsim":
    with can.Bus(interface="rvsim", channel="warm_cabin", except_devices=["control panel"], ignore_config=True) as bus:
        Thermostat(bus, int(sensor)).run(float(seconds))
        print(bus.verdict())  # type: ignore[attr-defined]
else:
    with can.Bus(
        interface="socketcand", host="127.0.0.1", port=int(port), channel="anything", ignore_config=True
    ) as bus:
        Thermostat(bus, int(sensor)).run(float(seconds))
