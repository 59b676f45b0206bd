# Outputs low and the keyboard offered to USB before USB starts: see airquill_device/board.py.
import airquill_device.board  # noqa: F401
