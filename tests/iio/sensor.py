"""A light sensor without hardware, in a umockdev testbed, seen by whoever runs with its environment.

Run as `umockdev-wrapper /usr/bin/python3 sensor.py`. The first line on standard output is the testbed's folder, for
UMOCKDEV_DIR. Then each line on standard input is an order, answered by a line once it is in force:

| line | what it does |
|---|---|
| attach N | the sensor is attached, as iio:deviceN |
| detach | it goes |
| set NAME VALUE | an attribute holds this from now on |
| get NAME | what an attribute holds |

It stands in for the kernel's files alone: any write is stored, and nothing exposes or fails by itself.
"""

import sys

import gi

gi.require_version("UMockdev", "1.0")
from gi.repository import UMockdev  # noqa: E402

PLACE = "/devices/pci0000:00/i2c-3/3-0029"
SENSOR = """P: {path}
N: iio:device{number}
E: SUBSYSTEM=iio
E: DEVTYPE=iio_device
A: name=made-up-als\\n
A: in_illuminance_raw=200\\n
A: in_illuminance_scale=0.5\\n
A: in_illuminance_integration_time=0.020000\\n
A: integration_time_available=0.01 0.02 0.04\\n
"""


class Sensor:
    def __init__(self):
        self.testbed = UMockdev.Testbed.new()
        self.path = None

    def order(self, order, *words):
        if order == "attach":
            self.path = f"{PLACE}/iio:device{words[0]}"
            self.testbed.add_from_string(SENSOR.format(path=self.path, number=words[0]))
        elif order == "detach":
            self.testbed.uevent("/sys" + self.path, "remove")
            self.testbed.remove_device("/sys" + self.path)
        elif order == "set":
            self.testbed.set_attribute("/sys" + self.path, words[0], " ".join(words[1:]) + "\n")
        elif order == "get":
            with open(f"{self.testbed.get_root_dir()}/sys{self.path}/{words[0]}", encoding="ascii") as attribute:
                return attribute.read().strip()
        else:
            raise ValueError(order)
        return "done"


def main():
    sensor = Sensor()
    print(sensor.testbed.get_root_dir(), flush=True)
    for line in sys.stdin:
        print(sensor.order(*line.split()), flush=True)


if __name__ == "__main__":
    main()
