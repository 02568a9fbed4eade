"""A USB bus without hardware: made-up instruments in a umockdev testbed, seen by whoever runs with its environment.

Run as `umockdev-wrapper /usr/bin/python3 bus.py`. The first line on standard output is the testbed's folder, for
UMOCKDEV_DIR. Then each line on standard input is an order, answered by a line once it is in force:

| line | what it does |
|---|---|
| plug PORT SERIAL usbtmc|usb488|notices|bulk|interrupt | an instrument with that serial number (- for none) is plugged in at 1-PORT |
| unplug PORT | it is pulled out: transfers fail, and the system is told |
| vanish PORT | it is pulled out, and the system is told nothing |
| next PORT WHAT | what the next reading does: see instrument.py |
| asked PORT | what it has been asked on the control pipe since this was last asked |
| amiss PORT | what was against the specification in what it was sent; `nothing` at best |

It stands in for the kernel's usbfs: claims, transfers, halts. It knows no real packets, bandwidth, or signals on a wire.
"""

import struct
import sys

import gi

gi.require_version("UMockdev", "1.0")
from gi.repository import GLib, UMockdev  # noqa: E402

from instrument import Instrument  # noqa: E402

# usbfs requests, x86_64 (linux/usbdevice_fs.h).
CLAIM, DETACH_AND_CLAIM, RELEASE, SET_INTERFACE = 0x8004550F, 0x8108551B, 0x80045510, 0x80085504
CAPABILITIES, GET_DRIVER, DRIVER_IOCTL, CLEAR_HALT = 0x8004551A, 0x41045508, 0xC0105512, 0x80045515
SUBMIT, REAP, REAP_NOW, DISCARD = 0x8038550A, 0x4008550C, 0x4008550D, 0x550B
ENOENT, EAGAIN, EBUSY, ENODEV, EINVAL, EPIPE, ENODATA, EPROTO, EOVERFLOW, ESHUTDOWN = 2, 11, 16, 19, 22, 32, 61, 71, 75, 108

SYS = "/devices/pci0000:00/0000:00:14.0/usb1"


def device_descriptor(serial, device_class=0, numbers=(0x1234, 0x5678)):
    return struct.pack("<BBHBBBBHHHBBBB", 18, 1, 0x0200, device_class, 0, 0, 64, *numbers, 0x0100, 1, 2, 3 if serial else 0, 1)


def configuration(interface_class, endpoints):
    ends = b"".join(struct.pack("<BBBBHB", 7, 5, address, kind, 64, 1) for address, kind in endpoints)
    interface = struct.pack("<BBBBBBBBB", 9, 4, 0, 0, len(endpoints), *interface_class, 0)
    total = 9 + len(interface) + len(ends)
    return struct.pack("<BBHBBBBB", 9, 2, total, 1, 1, 0, 0x80, 50) + interface + ends


WAYS = {
    "usbtmc": ((0xFE, 3, 0), [(0x02, 2), (0x81, 2)]),
    "usb488": ((0xFE, 3, 1), [(0x02, 2), (0x81, 2)]),
    "notices": ((0xFE, 3, 1), [(0x02, 2), (0x81, 2), (0x83, 3)]),
    "bulk": ((0xFF, 0, 0), [(0x02, 2), (0x81, 2)]),
    "interrupt": ((0xFF, 0, 0), [(0x02, 3), (0x81, 3)]),
}


def held(data):
    return bytes(data.retrieve())


class Urb:
    """One transfer that a program has handed in."""

    def __init__(self, key, data):
        self.key, self.data, self.partial = key, data, b""
        self.kind, self.endpoint, self.length = struct.unpack("<BB22xi28x", held(data))
        self.buffer = data.resolve(16, self.length) if self.length else None

    def bytes(self):
        return held(self.buffer) if self.buffer else b""

    def finish(self, status, data=b"", count=None, offset=0):
        if data:
            self.buffer.update(offset, data)
        self.data.update(4, struct.pack("<i", status))
        self.data.update(28, struct.pack("<i", len(data) if count is None else count))


class Port(UMockdev.IoctlBase):
    """usbfs for one device."""

    def __init__(self, number, address, serial, way):
        super().__init__()
        self.address, self.there = address, True
        self.name = f"/dev/bus/usb/001/{address:03}"
        self.path = f"{SYS}/1-{number}"
        self.strings = {1: "Made Up Instruments", 2: "LT-1", 3: serial}
        self.instrument = Instrument(way, self.pump, lambda then, s: GLib.timeout_add(int(1000 * s), lambda: then()))
        self.owner, self.pending, self.done, self.pumping = None, [], [], False
        interface_class, endpoints = WAYS[way]
        self.descriptors = device_descriptor(serial) + configuration(interface_class, endpoints)

    def describe(self):
        return (
            f"P: {self.path}\nN: {self.name[5:]}\n"
            f"E: DEVNAME={self.name}\nE: SUBSYSTEM=usb\nE: DEVTYPE=usb_device\nE: BUSNUM=001\n"
            f"E: DEVNUM={self.address:03}\n"
            f"A: busnum=1\\n\nA: devnum={self.address}\\n\nA: speed=12\\n\nA: bConfigurationValue=1\\n\n"
            f"A: idVendor=1234\\n\nA: idProduct=5678\\n\nH: descriptors={self.descriptors.hex()}\n"
        )

    def do_handle_ioctl(self, client):
        try:
            self.handle(client)
        except GLib.Error:
            # The program was killed in the middle of it.
            pass
        return True

    def handle(self, client):
        request, arg = client.get_request(), client.get_arg()
        if not self.there and request not in (REAP, REAP_NOW):
            client.complete(-1, ENODEV)
        elif request == CAPABILITIES:
            arg.resolve(0, 4).update(0, bytes(4))
            client.complete(0, 0)
        elif request in (GET_DRIVER, DRIVER_IOCTL):
            client.complete(-1, ENODATA)
        elif request in (CLAIM, DETACH_AND_CLAIM) and self.held_by_another(client):
            client.complete(-1, EBUSY)
        elif request in (CLAIM, DETACH_AND_CLAIM, RELEASE):
            self.owner = None if request == RELEASE else client
            client.complete(0, 0)
        elif request == CLEAR_HALT:
            (endpoint,) = struct.unpack("<I", held(arg.resolve(0, 4)))
            self.instrument.unhalt(endpoint)
            client.complete(0, 0)
            self.pump()
        elif request == SET_INTERFACE:
            client.complete(0, 0)
        elif request == SUBMIT:
            urb = Urb(held(arg), arg.resolve(0, 56))
            urb.client = client
            self.pending.append(urb)
            client.complete(0, 0)
            self.pump()
        elif request == DISCARD:
            found = [urb for urb in self.pending if urb.key == held(arg)]
            for urb in found:
                self.pending.remove(urb)
                urb.finish(-ENOENT, urb.partial)
                self.done.append(urb)
            client.complete(0 if found else -1, 0 if found else EINVAL)
        elif request in (REAP, REAP_NOW):
            # The file behind the node is always ready, so programs ask again at once: let them wait a little.
            if not self.reap(client, arg):
                GLib.timeout_add(1, self.reap_late, client, arg)
        else:
            print(f"unknown ioctl {request:#x}", file=sys.stderr)
            client.complete(-1, EINVAL)

    def held_by_another(self, client):
        return self.owner not in (None, client) and self.owner.get_connected()

    def reap(self, client, arg):
        for urb in self.done:
            if urb.client is client:
                self.done.remove(urb)
                arg.resolve(0, 8).set_ptr(0, urb.data)
                client.complete(0, 0)
                return True
        return False

    def reap_late(self, client, arg):
        if not self.reap(client, arg):
            client.complete(-1, EAGAIN if self.there else ENODEV)
        return False

    def pump(self):
        """Lets every transfer that can end do so."""
        if self.pumping:
            # What one transfer changes, the next round sees.
            self.again = True
            return
        self.pumping = self.again = True
        while self.again:
            self.again = False
            # What a program has left behind when it was killed takes nothing from the next.
            self.pending = [urb for urb in self.pending if urb.client.get_connected()]
            for urb in [urb for urb in self.pending if self.attempt(urb)]:
                self.pending.remove(urb)
                self.done.append(urb)
        self.pumping = False

    def attempt(self, urb):
        if urb.kind == 2:
            return self.control(urb)
        if urb.endpoint & 0x80 == 0:
            outcome = self.instrument.take(urb.bytes())
            if outcome is None:
                return False
            urb.finish(*((0, b"", urb.length) if outcome == "taken" else (-EPIPE,)))
            return True
        outcome = self.instrument.give(urb.endpoint, urb.length)
        if outcome is None:
            return False
        if isinstance(outcome, tuple):
            # Without a packet that ends it, the transfer goes on.
            (urb.partial,) = outcome
            return False
        broken = {"stall": -EPIPE, "overflow": -EOVERFLOW, "broken": -EPROTO}
        urb.finish(broken[outcome]) if isinstance(outcome, str) else urb.finish(0, outcome)
        return True

    def control(self, urb):
        kind, code, value, index, length = struct.unpack("<BBHHH", urb.bytes()[:8])
        if (kind, code, value >> 8) == (0x80, 6, 3):
            self.instrument.log.append(f"string:{value & 0xFF}")
            answer = self.string(value & 0xFF)
        else:
            answer = self.instrument.asked(kind, code, value, index, length)
        if answer is None:
            urb.finish(-EPIPE)
        else:
            urb.finish(0, answer[:length], offset=8)
        return True

    def string(self, number):
        if number == 0:
            return struct.pack("<BBH", 4, 3, 0x0409)
        text = self.strings.get(number)
        return text and struct.pack("<BB", 2 + 2 * len(text), 3) + text.encode("utf-16-le")


class Bus:
    def __init__(self):
        self.testbed, self.ports, self.address = UMockdev.Testbed.new(), {}, 1
        root = device_descriptor(None, 9, (0x1D6B, 2)) + configuration((9, 0, 0), [(0x81, 3)])
        self.testbed.add_from_string(
            f"P: {SYS}\nN: bus/usb/001/001\nE: DEVNAME=/dev/bus/usb/001/001\nE: SUBSYSTEM=usb\nE: DEVTYPE=usb_device\nE: BUSNUM=001\nE: DEVNUM=001\n"
            "A: busnum=1\\n\nA: devnum=1\\n\nA: speed=480\\n\nA: bConfigurationValue=1\\n\n"
            f"A: idVendor=1d6b\\n\nA: idProduct=0002\\n\nH: descriptors={root.hex()}\n"
        )

    def order(self, order, number, *words):
        number = int(number)
        if order == "plug":
            serial = None if words[0] == "-" else words[0]
            # As in the kernel, an address is not used again for a long time.
            self.address += 1
            port = self.ports[number] = Port(number, self.address, serial, words[1])
            # Attached before it is announced: whoever hears of it opens it at once.
            self.testbed.attach_ioctl(port.name, port)
            self.testbed.add_from_string(port.describe())
            return "done"
        port = self.ports[number]
        if order == "next":
            port.instrument.next = words[0]
            port.instrument.unplug = lambda: self.pull(number, True)
        elif order == "unplug":
            self.pull(number, True)
        elif order == "vanish":
            self.pull(number, False)
        elif order == "asked":
            asked, port.instrument.log = port.instrument.log, []
            return " ".join(asked) or "nothing"
        elif order == "amiss":
            return "; ".join(port.instrument.amiss) or "nothing"
        else:
            raise ValueError(order)
        return "done"

    def pull(self, number, told):
        port = self.ports.pop(number)
        port.there = False
        # Transfers that are on the way end.
        for urb in port.pending:
            urb.finish(-ESHUTDOWN)
        port.done, port.pending = port.done + port.pending, []
        if told:
            self.testbed.uevent("/sys" + port.path, "remove")
        self.testbed.remove_device("/sys" + port.path)


def main():
    bus, loop = Bus(), GLib.MainLoop()
    print(bus.testbed.get_root_dir(), flush=True)

    def heard(channel, _condition):
        line = sys.stdin.readline()
        if not line:
            loop.quit()
            return False
        print(bus.order(*line.split()), flush=True)
        return True

    GLib.io_add_watch(0, GLib.PRIORITY_DEFAULT, GLib.IOCondition.IN | GLib.IOCondition.HUP, heard)
    loop.run()


main()
