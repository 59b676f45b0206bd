"""A lamp that follows the grip: dark without vacuum, dim while it looks for a part, bright while one hangs on the tip.

Where the unit cannot tell (no sensor, or a needle that was not learned) it is bright as soon as the pick counts as
holding. Wire it as the wiring page shows for the light bar, and name its pin in the wiring file:

    "addons": {"grip_lamp": {"lamp": 7}}
"""

PICKING = 1
HOLDING = 2


class AddOn:
    SETTINGS = (
        ("held_pct", "int", 0, 100, "%", 100, "Brightness while a part is held."),
        ("seeking_pct", "int", 0, 100, "%", 10, "Brightness while vacuum is on and no part is held."),
    )
    READINGS = (
        ("lit_pct", "int", "%", "Brightness now."),
        ("grips", "int", "", "Parts gripped since start."),
    )
    ACTIONS = (
        ("show", (("looks", "int", 1, 300),), "Light it fully for so many looks, of 16 ms each, to find it."),
        ("reset", (), "Count grips from 0."),
    )

    def __init__(self, api):
        self.api = api
        self.lamp = api.output("lamp")
        self.state = api.reading("cycle.state")
        self.lit_pct = 0
        self.grips = 0
        self.was = 0
        self.looks = 0
        self.held_pct = self.seeking_pct = 0

    def configure(self):
        self.held_pct = self.api.setting("held_pct")
        self.seeking_pct = self.api.setting("seeking_pct")

    def tick(self, now):
        state = self.api.read(self.state)
        if state == HOLDING and self.was != HOLDING:
            self.grips += 1
        self.was = state
        if self.looks:
            self.looks -= 1
            self.lit_pct = 100
        elif state == HOLDING:
            self.lit_pct = self.held_pct
        else:
            self.lit_pct = self.seeking_pct if state == PICKING else 0
        self.api.drive(self.lamp, self.lit_pct * 65535 // 100)

    def show(self, looks):
        self.looks = looks

    def reset(self):
        self.grips = 0
