"""Stands in for the firmware's app on the emulated chip: runs lines of Python that come over the serial port.

`passes` are calls made every pass of the loop. Answers are printed; `=` alone ends one.
"""

import gc
import sys


class App:
    def __init__(self, board):
        self.board = board
        self.names = {"board": board, "app": self, "gc": gc}
        self.passes = 0
        self.keys = True

    def run(self):
        board = self.board
        buf = bytearray(16)
        line = b""
        at = board.ticks_us()
        print("ready")
        while True:
            board.watchdog_feed()
            board.pedals()
            if self.keys:
                board.key_host()
            self.passes += 1
            n = board.serial_read(buf)
            if n:
                line += buf[:n]
                if line.startswith(b"\x03"):
                    board.to_prompt()
                if line.endswith(b"\n"):
                    try:
                        exec(line.decode().strip().replace("\r", "\n"), self.names)
                    except Exception as error:
                        sys.print_exception(error)
                    print("=")
                    line = b""
            at = board.ticks_add(at, 1000)
            if board.ticks_diff(at, board.ticks_us()) < 0:
                at = board.ticks_us()
            board.sleep_until(at)
