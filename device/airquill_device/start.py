"""What main.py runs: the unit, until it restarts or somebody asks for the prompt."""

from airquill_device import slot
from airquill_device.board import board

try:
    board.take_console()
    from airquill_device.app import App

    app = App(board)
    app.trial = slot.on_trial()
    app.run()
except SystemExit:  # asked for by Ctrl-C: on to the prompt
    pass
finally:
    board.leave()
