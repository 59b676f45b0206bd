"""Runs vectors.json on the interpreter that runs this file; prints one line a failure, then the count.

Runs under CPython and MicroPython: `python vectors_runner.py vectors.json`.
"""

import json
import sys

from airquill_protocol import frame, settings
from airquill_protocol import values as v
from airquill_protocol.fault import ProtocolError

KINDS = {
    "int": v.INT,
    "dec1": v.DEC1,
    "dec2": v.DEC2,
    "word": v.WORD,
    "flag": v.FLAG,
    "text": v.TEXT,
    "stroke": v.STROKE,
}


def outcome(call, *args):
    """What a call gives, as JSON can hold it; a ProtocolError as its number."""
    try:
        result = call(*args)
    except ProtocolError as error:
        return {"error": error.number}
    if isinstance(result, bytes):
        return {"hex": "".join("%02x" % byte for byte in result)}
    return list(result) if isinstance(result, tuple) else result


def feed(data):
    """Lines that a LineReader makes of bytes, and how many it threw away; the same a byte at a time and in pieces."""
    alone = frame.LineReader()
    lines = []
    for byte in data:
        if alone.push(byte):
            lines.append(bytes(alone.buffer[: alone.length]).decode())
            alone.clear()
    reader = frame.LineReader()
    pieces = []
    at = 0
    while at < len(data):
        at = reader.fill(data, at, min(at + 12, len(data)))
        if at < len(data) and reader.push(data[at]):
            pieces.append(bytes(reader.buffer[: reader.length]).decode())
            reader.clear()
        at += 1
    if pieces != lines or reader.thrown != alone.thrown or reader.clean != alone.clean:
        return "in pieces: %r" % (pieces,)
    return [lines, alone.thrown]


def run(case):
    what = case["do"]
    if what == "frame":
        return frame.frame(case["body"]).decode()
    if what == "unframe":
        return outcome(
            frame.unframe, bytes(case["line"], "latin-1" if sys.implementation.name == "cpython" else "utf-8")
        )
    if what == "split":
        return outcome(frame.split, case["body"])
    if what == "id":
        return frame.request_id(case["field"])
    if what == "feed":
        return feed("".join(part[0] * part[1] if isinstance(part, list) else part for part in case["parts"]).encode())
    if what == "parse":
        return outcome(
            v.parse, KINDS[case["type"]], case.get("words", ""), case.get("lo", 0), case.get("hi", 0), case["text"]
        )
    if what == "render":
        value = bytes(case["value"]) if isinstance(case["value"], list) else case["value"]
        return v.render(KINDS[case["type"]], case.get("words", ""), value)
    if what == "find":
        return settings.path(settings.find(case["path"])) if settings.find(case["path"]) >= 0 else -1
    raise ValueError(what)


def main(path):
    with open(path) as file:
        cases = json.load(file)
    failed = 0
    for number, case in enumerate(cases):
        got = run(case)
        if got != case["gives"]:
            failed += 1
            print("case %d %r gives %r, not %r" % (number, case, got, case["gives"]))
    print("%d cases, %d failed" % (len(cases), failed))
    return failed


if __name__ == "__main__":
    sys.exit(1 if main(sys.argv[1]) else 0)
