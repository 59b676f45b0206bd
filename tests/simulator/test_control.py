"""The control channel's client: a reply belongs to its request, also when Ctrl-C came between the two."""

from __future__ import annotations

import json
import os
import signal
import socket
import threading
from contextlib import suppress
from pathlib import Path

import pytest

from airquill.simulator.control import Control


def test_a_reply_that_ctrl_c_left_unread_is_not_the_next_requests(tmp_path: Path) -> None:
    path = tmp_path / "control"
    listening = socket.socket(socket.AF_UNIX)
    listening.bind(str(path))
    listening.listen()
    go_on = threading.Event()

    def answer() -> None:
        first, _ = listening.accept()
        first.recv(4096)
        first.sendall(b'{"done": {"half of')
        second, _ = listening.accept()
        go_on.wait(30)
        with suppress(OSError):  # nobody is there any more
            first.sendall(b' a reply": 1}}\n')
        assert json.loads(second.recv(4096))["do"] == "clock"
        second.sendall(b'{"done": 5000000}\n')
        first.close()
        second.close()

    thread = threading.Thread(target=answer)
    thread.start()

    def interrupt(_number: int, _frame: object) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGUSR1, interrupt)  # the alarm is the test's own timeout
    press = threading.Timer(0.2, os.kill, (os.getpid(), signal.SIGUSR1))
    try:
        with Control.at(path) as control:
            press.start()
            with pytest.raises(KeyboardInterrupt):
                control.tip("sealed")
            go_on.set()
            assert control.clock() == 5.0
    finally:
        press.cancel()
        signal.signal(signal.SIGUSR1, before)
        go_on.set()
        thread.join()
        listening.close()
