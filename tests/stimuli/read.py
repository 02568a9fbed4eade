"""Reads files of stimuli with libraries that aren't ours: video and pictures with FFmpeg's (PyAV), chunks of PNG with pypng, which checks
their sums. Gets the index, and prints a line of JSON for each file that it names."""

import csv
import json
import struct
import sys
from pathlib import Path

import av
import png


def values(frame, x, y):
    """What the pixel at x, y has, component by component."""
    kind, found = frame.format, []
    order = ">" if kind.is_big_endian else "<"
    for index in range(3):
        plane = frame.planes[index if kind.is_planar else 0]
        at = y * plane.line_size + (2 * x if kind.is_planar else 6 * x + 2 * index)
        found.append(struct.unpack_from(order + "H", memoryview(plane), at)[0])
    return found


def read(path, row):
    left, top, width, height = (int(row["window_" + side]) for side in ("left", "top", "width", "height"))
    told = {"file": row["file"], "frames": 0}
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        for frame in container.decode(stream):
            told["frames"] += 1
        told["rate"] = str(stream.average_rate)
        told["format"] = frame.format.name
        told["size"] = [frame.width, frame.height]
        told["meaning"] = [int(frame.color_primaries), int(frame.color_trc), int(frame.colorspace), int(frame.color_range)]
        # Both ends of the window's diagonal, and one pixel on.
        first, last = (left, top), (left + width - 1, top + height - 1)
        told["window"] = [values(frame, *at) for at in (first, last)]
        beyond = [(left - 1, top - 1), (left + width, top + height)] if left and top else []
        told["beside"] = [values(frame, *at) for at in beyond]
    if path.suffix == ".png":
        chunks = list(png.Reader(filename=str(path)).chunks())
        told["chunks"] = [name.decode() for name, _ in chunks]
        told["cicp"] = [list(content) for name, content in chunks if name == b"cICP"]
        _, _, rows, info = png.Reader(filename=str(path)).read()
        told["bits"] = info["bitdepth"]
        rows = [list(row) for row in rows]
        told["by_another"] = rows[top + height // 2][3 * (left + width // 2):][:3]
    return told


index = Path(sys.argv[1])
with open(index, newline="", encoding="utf-8") as file:
    for row in csv.DictReader(file, strict=True):
        if row["file"]:
            print(json.dumps({"index": row, **read(index.parent / row["file"], row)}))
