"""A made-up instrument on USB: what the shipped profile lab-tristimulus describes, in USBTMC messages or as plain bytes.

What the next reading may do, beside being good:

| word | the reading |
|---|---|
| garbled, error, half, silence, noise | words that make no sense; too bright; the first half alone; nothing; bytes of all kinds |
| late | comes after five seconds, and says 55 cd/m2 |
| slow, split, bare, full, unended | good: after half a second; in parts of five bytes; without a line end; filling its packets, with and without an empty one |
| wrong_tag, wrong_inverse, wrong_id, reserved | with that in its header |
| oversize, undersize, short, beyond | announces more than it sends; sends more than it announces; less than a header; more than was asked for |
| stall, overflow, broken | the endpoint halts; more than fits; the transfer breaks off |
| deaf | doesn't take the command, until it is cleared |
| unplug | is pulled out in the middle |
"""

import struct

PACKET = 64
PENDING, SUCCESS, FAILED, NOT_IN_PROGRESS = 2, 1, 0x80, 0x81
MESSAGE, REQUEST = 1, 2


class Instrument:
    def __init__(self, way, changed, later):
        self.way, self.changed, self.later = way, changed, later
        self.next, self.unplug, self.log, self.amiss = None, None, [], []
        self.generation, self.integration, self.last_tag = 0, 0.1, 0
        self.forget()

    def forget(self):
        """Whatever was asked is forgotten, and what was to be said."""
        self.generation += 1
        self.heard, self.says, self.sending, self.request = b"", [], None, None
        self.halted, self.deaf, self.notices, self.pending = set(), False, [], 1
        self.fault = None

    # What it says.

    def obey(self, command):
        if command == "*IDN?":
            self.say(b"Made Up Instruments,LT-1,0042,1.0\n")
        elif command == "SYST:ERR?":
            self.say(b'+0,"No error"\n')
        elif command.startswith("SENS:INT "):
            self.integration = float(command.split()[1])
        elif command == "READ?":
            what, self.next = self.next, None
            self.after(0.4 * self.integration, lambda: self.read(what))

    def after(self, seconds, then):
        generation = self.generation
        self.later(lambda: generation == self.generation and then() and False, seconds)

    def say(self, text, fault=None):
        self.says.append((text, fault))
        self.changed()

    def read(self, what):
        good = b"9.505000E+01,1.000000E+02,1.088800E+02,31.5\n"
        if what == "garbled":
            self.say(b"+9.5E+01;what;is;this\n")
        elif what == "error":
            self.say(b"9.9E37,0,0,31.5\n")
        elif what == "noise":
            self.say(bytes((7 + 101 * i * i) % 256 for i in range(9000)))
        elif what == "late":
            self.after(5, lambda: self.say(good.replace(b"1.000000E+02", b"5.500000E+01")))
        elif what == "slow":
            self.after(0.5, lambda: self.say(good))
        elif what == "bare":
            self.say(good[:-1])
        elif what in ("full", "unended"):
            self.say(good.rjust(2 * PACKET - (12 if self.way not in ("bulk", "interrupt") else 0), b"0"), what)
        elif what == "half" and self.way in ("bulk", "interrupt"):
            self.say(good[:12])
        elif what == "unplug":
            self.unplug()
        elif what != "silence":
            self.say(good, what)

    # The pipes.

    def take(self, data):
        """What is written to it: "taken", "stall", or nothing yet (`None`)."""
        if 0x02 in self.halted:
            return "stall"
        if self.deaf:
            return None
        if self.way in ("bulk", "interrupt"):
            self.heard += data
        elif not self.frame(data):
            return None
        while b"\n" in self.heard:
            line, _, self.heard = self.heard.partition(b"\n")
            self.obey(line.decode())
        return "taken"

    def frame(self, data):
        """One whole transfer to it. Strict: what is against the specification is noted."""
        if self.next == "deaf" and b"READ?" in data:
            self.next, self.deaf, self.last_tag = None, True, data[1]
            return False
        kind, tag, inverse, zero, size, attributes = struct.unpack_from("<BBBBIB", data)
        self.check(tag ^ inverse == 0xFF and tag != 0, "tag")
        self.check(tag != self.last_tag, "tag used twice")
        self.check(zero == 0 and len(data) % 4 == 0 and size > 0, "header")
        self.last_tag = tag
        if kind == MESSAGE:
            self.check(data[9:12] == bytes(3) and 0 <= len(data) - 12 - size < 4, "size")
            self.check(self.request is None, "message while an answer is due")
            self.heard += data[12 : 12 + size]
            if attributes & 1 and not self.heard.endswith(b"\n"):
                self.heard += b"\n"
        elif kind == REQUEST:
            self.check(len(data) == 12 and self.request is None, "request")
            self.request = (tag, size)
        else:
            self.check(False, "message id")
        return True

    def check(self, holds, what):
        if not holds:
            self.amiss.append(what)

    def give(self, endpoint, length):
        """What it sends within one transfer: bytes, a word for what breaks, bytes with no end in a tuple, or nothing yet."""
        if endpoint in self.halted:
            return "stall"
        if endpoint == 0x83:
            return self.notices.pop(0) if self.notices else None
        if self.sending is None and not self.begin():
            return None
        if self.fault in ("stall", "overflow", "broken"):
            fault, self.fault, self.sending, self.request = self.fault, None, None, None
            if fault == "stall":
                self.halted.add(endpoint)
            return fault
        data, self.sending = self.sending[:length], self.sending[length:]
        # A short packet ends it.
        if len(data) % PACKET or len(data) < length:
            self.sending = None
        return (data,) if self.fault == "unended" else data

    def begin(self):
        """Begins a transfer from it, if there is something to say and, in messages, it has been asked for."""
        if not self.says:
            return False
        text, self.fault = self.says[0]
        if self.way in ("bulk", "interrupt"):
            self.says.pop(0)
            self.sending = text
            return True
        if self.request is None:
            return False
        (tag, most), self.request = self.request, None
        part = text[: {"split": 5, "half": 12}.get(self.fault, most)]
        rest = text[len(part) :]
        self.says = ([(rest, self.fault)] if rest and self.fault != "half" else []) + self.says[1:]
        self.sending = self.framed(part, tag, not rest, most)
        return True

    def framed(self, part, tag, last, most):
        fault, size, kind, inverse, zero = self.fault, len(part), REQUEST, tag ^ 0xFF, 0
        if fault == "wrong_tag":
            tag, inverse = tag % 255 + 1, (tag % 255 + 1) ^ 0xFF
        if fault == "wrong_inverse":
            inverse ^= 1
        if fault == "wrong_id":
            kind = 3
        if fault == "reserved":
            zero = 1
        size += {"oversize": 7, "undersize": -9}.get(fault, 0)
        if fault == "beyond":
            part, size = bytes(most + 1), most + 1
        frame = struct.pack("<BBBBIBBBB", kind, tag, inverse, zero, size, last, 0, 0, 0) + part
        return frame[:7] if fault == "short" else frame

    def unhalt(self, endpoint):
        self.halted.discard(endpoint)
        self.log.append(f"unhalt:{endpoint:02x}")

    # The control pipe.

    def asked(self, kind, code, value, index, length):
        self.log.append(f"{code}:{value}")
        if self.way in ("bulk", "interrupt"):
            return None
        if code == 7:
            return bytes([SUCCESS, 0, 0, 1, 0, 1]) + bytes(18)
        if code in (1, 3):
            right = value == self.last_tag and index == (0x02 if code == 1 else 0x81)
            self.check(right, f"abort of {value}, where the last was {self.last_tag}")
            on_the_way = self.deaf if code == 1 else self.request or self.sending
            if not on_the_way:
                return bytes([FAILED, 0])
            self.request = self.sending = None
            self.pending = 1
            return bytes([SUCCESS, value])
        if code in (2, 4):
            return bytes([self.progress(), 0]) + bytes(6)
        if code == 5:
            self.check(kind == 0xA1 and index == 0, "clear of another interface")
            self.forget()
            return bytes([SUCCESS])
        if code == 6:
            return bytes([self.progress(), 0])
        if code == 128 and self.way != "usbtmc":
            status = 0x10 if self.says else 0
            if self.way == "notices":
                self.notices += [bytes([0x81, 0x40]), bytes([0x80 | value, status])]
                self.changed()
                status = 0
            return bytes([SUCCESS, value, status])
        return None

    def progress(self):
        """Pending once, then done."""
        self.pending -= 1
        return PENDING if self.pending >= 0 else SUCCESS
