"""Reads what was exported with Python's own csv, json, xml and zlib, and exchange text by its grammar as CGATS.17 has it: written from
tests/reference/cgats_grammar.md, strictly, and of no use of the program's own reader. Prints what it has read as one line of JSON."""

import csv
import json
import re
import struct
import sys
import xml.etree.ElementTree
import zlib


def read_csv(path):
    with open(path, newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file, strict=True))


def read_json_lines(path):
    with open(path, encoding="utf-8") as file:
        return [json.loads(line) for line in file]


def tokens(line, number):
    """The tokens of a line: (text, whether it stood in quotes)."""
    found, rest = [], line.strip()
    while rest and not rest.startswith("#"):
        quoted = re.match(r'"((?:[^"]|"")*)"(?=\s|$)', rest)
        plain = re.match(r'[^\s"#]+', rest)
        match = quoted or plain
        if not match:
            raise SystemExit(f"line {number}: no token begins with {rest!r}")
        found.append((match[1].replace('""', '"'), True) if quoted else (match[0], False))
        rest = rest[match.end() :].lstrip()
    return found


STANDARD = {
    "ORIGINATOR", "FILE_DESCRIPTOR", "DESCRIPTOR", "CREATED", "MANUFACTURER", "PROD_DATE", "SERIAL", "MATERIAL", "INSTRUMENTATION",
    "MEASUREMENT_SOURCE", "PRINT_CONDITIONS", "SAMPLE_BACKING", "WEIGHTING_FUNCTION", "COMPUTATIONAL_PARAMETER", "TABLE_NAME",
}
FIELDS = re.compile(r"SAMPLE_ID|SAMPLE_NAME|XYZ_[XYZ]|XYY_X|XYY_Y|XYY_CAPY|SPECTRAL_\d+(\.\d+)?")
NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")


def read_cgats(path):
    """Each table: its keywords, and its sets by the names of fields; numbers as numbers."""
    tables, table, names, place, declared = [], None, None, "header", set()
    with open(path, encoding="utf-8") as file:
        lines = file.read().split("\n")
    if not re.fullmatch(r"\S+", lines[0]) or lines.pop() != "":
        raise SystemExit("the first line must be the identifier, and the last must end")
    for number, line in enumerate(lines[1:], 2):
        words = tokens(line, number)
        if not words:
            continue
        first = words[0][0]
        if place == "header":
            table = table or {"keywords": {}, "sets": []}
            if first == "BEGIN_DATA_FORMAT":
                place, names = "format", []
            elif first == "BEGIN_DATA":
                place = "data"
            elif len(words) != 2:
                raise SystemExit(f"line {number}: a keyword has one value")
            elif first == "KEYWORD":
                declared.add(words[1][0])
            elif first in ("NUMBER_OF_FIELDS", "NUMBER_OF_SETS"):
                table[first] = int(words[1][0])
            elif first in STANDARD or first in declared:
                table["keywords"][first] = words[1][0]
            else:
                raise SystemExit(f"line {number}: {first} is neither the standard's nor declared")
        elif place == "format":
            if first == "END_DATA_FORMAT":
                place = "header"
                if len(names) != table["NUMBER_OF_FIELDS"] or len(set(names)) != len(names):
                    raise SystemExit(f"line {number}: NUMBER_OF_FIELDS is wrong, or a name is there twice")
            else:
                names += [word for word, _ in words]
                for name in names:
                    if not FIELDS.fullmatch(name) and name not in declared:
                        raise SystemExit(f"line {number}: {name} is neither the standard's nor declared")
        elif first == "END_DATA" and len(words) == 1:
            if len(table["sets"]) != table["NUMBER_OF_SETS"]:
                raise SystemExit(f"line {number}: NUMBER_OF_SETS is wrong")
            tables.append(table)
            table, place = None, "header"
        else:
            if len(words) != len(names):
                raise SystemExit(f"line {number}: {len(words)} values for {len(names)} fields")
            values = [word if quoted or not NUMBER.fullmatch(word) else float(word) for word, quoted in words]
            table["sets"].append(dict(zip(names, values)))
    if place != "header" or table:
        raise SystemExit("the file was cut off")
    return tables


def read_svg(path):
    """How many elements of each class there are, with the number of their points; title and description."""
    root = xml.etree.ElementTree.parse(path).getroot()
    space = "{http://www.w3.org/2000/svg}"
    if root.tag != space + "svg":
        raise SystemExit(f"the root is {root.tag}")
    shapes = {}
    for element in root:
        points = element.get("points")
        if element.get("class"):
            shapes.setdefault(element.get("class"), []).append(len(points.split()) if points else 0)
    words = [element.text for element in root.iter(space + "text")]
    return {"shapes": shapes, "words": words, "title": root.findtext(space + "title"), "desc": root.findtext(space + "desc")}


def read_png(path):
    """Width, height, and how many pixels of each of its most frequent colours there are, after checking every sum."""
    with open(path, "rb") as file:
        data = file.read()
    if data[:8] != b"\x89PNG\r\n\x1a\n":
        raise SystemExit("no PNG")
    at, chunks = 8, []
    while at < len(data):
        length, kind = struct.unpack(">I4s", data[at : at + 8])
        body = data[at + 8 : at + 8 + length]
        (crc,) = struct.unpack(">I", data[at + 8 + length : at + 12 + length])
        if zlib.crc32(kind + body) != crc:
            raise SystemExit(f"the sum of {kind} is wrong")
        chunks.append((kind, body))
        at += 12 + length
    if chunks[0][0] != b"IHDR" or chunks[-1][0] != b"IEND":
        raise SystemExit("no beginning or no end")
    width, height, depth, colour, _, _, interlace = struct.unpack(">IIBBBBB", chunks[0][1])
    if (depth, colour, interlace) != (8, 2, 0):
        raise SystemExit(f"depth {depth}, colour {colour}, interlace {interlace}")
    raw = zlib.decompress(b"".join(body for kind, body in chunks if kind == b"IDAT"))
    stride = 3 * width
    if len(raw) != height * (stride + 1):
        raise SystemExit("the pixels are too few or too many")
    previous, counts = bytearray(stride), {}
    for row in range(height):
        kind, line = raw[row * (stride + 1)], bytearray(raw[row * (stride + 1) + 1 : (row + 1) * (stride + 1)])
        for index in range(stride):
            left = line[index - 3] if index >= 3 else 0
            up = previous[index]
            corner = previous[index - 3] if index >= 3 else 0
            if kind == 1:
                line[index] = (line[index] + left) & 255
            elif kind == 2:
                line[index] = (line[index] + up) & 255
            elif kind == 3:
                line[index] = (line[index] + (left + up) // 2) & 255
            elif kind == 4:
                guess = left + up - corner
                nearest = min((abs(guess - left), 0, left), (abs(guess - up), 1, up), (abs(guess - corner), 2, corner))[2]
                line[index] = (line[index] + nearest) & 255
        previous = line
        for index in range(0, stride, 3):
            pixel = "%02x%02x%02x" % tuple(line[index : index + 3])
            counts[pixel] = counts.get(pixel, 0) + 1
    texts = [body.split(b"\0")[0].decode() for kind, body in chunks if kind == b"iTXt"]
    return {"width": width, "height": height, "colours": counts, "texts": texts}


READERS = {"csv": read_csv, "json": read_json_lines, "cgats": read_cgats, "svg": read_svg, "png": read_png}

if __name__ == "__main__":
    print(json.dumps(READERS[sys.argv[1]](sys.argv[2])))
