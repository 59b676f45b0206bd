from airquill_device.board import board

try:
    board.take_console()
    from airquill_device.app import App

    App(board).run()
except SystemExit:  # asked for by Ctrl-C: on to the prompt
    pass
finally:
    board.leave()
