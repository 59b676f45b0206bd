from airquill_rig.board import Board
from airquill_rig.rig import Rig

rig = Rig(Board())
while True:
    rig.tick()
