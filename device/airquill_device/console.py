"""The serial line under the protocol: standard input and output, neither of which may ever make the loop wait."""

import select
import sys


class Console:
    def __init__(self):
        self._in = sys.stdin.buffer
        self._out = sys.stdout.buffer
        self._byte = bytearray(1)
        self._readable = select.poll()
        self._readable.register(sys.stdin, select.POLLIN)
        self._writable = select.poll()
        self._writable.register(sys.stdout, select.POLLOUT)

    def read(self, buf):
        """Bytes copied to `buf`. Asks before every byte, because reading more than is there would wait for it."""
        n = 0
        while n < len(buf) and _ready(self._readable):
            self._in.readinto(self._byte)
            buf[n] = self._byte[0]
            n += 1
        return n

    def write(self, buf, start, n):
        """Bytes taken: all or none.

        Polling tells only whether the 256-byte queue has any room, so the caller keeps at most one line of 240 bytes
        unacknowledged.
        """
        return self._out.write(buf, start, n) if _ready(self._writable) else 0


def _ready(poll):
    for _ in poll.ipoll(0):
        return True
    return False
