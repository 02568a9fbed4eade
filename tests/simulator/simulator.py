"""A made-up tristimulus colorimeter on somebody else's engine for simulated instruments.

    python simulator.py LINK

serves it behind a TCP port of this machine, which is printed, and behind a pseudo-terminal with the symbolic link LINK to it,
until standard input ends. How lines are cut, sent and received is the engine's doing; what they mean is written here, after
IEEE 488.2 (common commands) and SCPI-99, volume 2, chapter 21 (the error queue), from memory.
"""

import collections
import sys

import gevent
from gevent.fileobject import FileObject
from sinstruments.simulator import BaseDevice, Server


class Tristimulus(BaseDevice):
    """Answers are upper case and have an exponent; what it doesn't understand goes into its queue of errors."""

    def __init__(self, name, **options):
        super().__init__(name, **options)
        self.errors = collections.deque()
        self.aperture_s = 0.2

    def handle_message(self, message):
        header, _, argument = message.strip().decode("ascii", "replace").partition(" ")
        header = header.upper()
        if header == "*IDN?":
            return b"Made Up Works,TC-5,A-117,2.4\n"
        if header == "*RST":
            self.aperture_s = 0.2
        elif header == "*CLS":
            self.errors.clear()
        elif header == "*OPC?":
            return b"1\n"
        elif header in ("SYST:ERR?", "SYSTEM:ERROR?"):
            return (self.errors.popleft() if self.errors else '0,"No error"').encode() + b"\n"
        elif header == "SENS:APER" and 0.001 <= self.number(argument) <= 10:
            self.aperture_s = self.number(argument)
        elif header == "SENS:APER":
            self.errors.append('-222,"Data out of range"')
        elif header == "MEAS:XYZ?":
            gevent.sleep(self.aperture_s)
            return ("%+.6E,%+.6E,%+.6E\n" % (76.04, 80.0, 87.1)).encode()
        else:
            self.errors.append('-113,"Undefined header"')
        return None

    @staticmethod
    def number(text):
        try:
            return float(text)
        except ValueError:
            return float("nan")


def main():
    link = sys.argv[1]
    transports = [{"type": "tcp", "url": ["127.0.0.1", 0]}, {"type": "serial", "url": link}]
    device = {"class": "Tristimulus", "package": "__main__", "name": "made-up", "transports": transports}
    server = Server(devices=[device])
    tcp, serial = server.get_device_by_name("made-up").transports
    tcp.start()
    gevent.spawn(serial.serve_forever)
    print(f"127.0.0.1:{tcp.server_port}", flush=True)
    FileObject(sys.stdin.buffer).read()
    server.stop()


if __name__ == "__main__":
    main()
