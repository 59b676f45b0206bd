"""The wiring file: which pin drives what. Checked here, before any pin is touched; runs on the chip and on the PC.

A wiring file is JSON:

    {"board": "name", "pump": 8, "valve": 10, "blow": 12, "pedals": [14, 15],
     "sensor": {"kind": "analog", "pin": 26, "falling": false},
         or    {"kind": "i2c", "sda": 16, "scl": 17, "address": 40},
     "supply": {"pin": 27, "top_ohm": 47000, "bottom_ohm": 10000},
     "panel": {"a": 2, "b": 3, "push": 4, "lamps": [18, 19, 20, 21, 22]},
     "addons": {"grip_lamp": {"lamp": 7}}}

`board`, `pump`, `valve` and `pedals` must be there, the others are parts that a builder may leave out.
"""

import json

LAMPS = 5
# Source: Raspberry Pi Pico data sheet, pin functions of a Pico that its own board uses.
_TAKEN = {23: "the board's own supply", 24: "sensing USB power", 25: "the board's own lamp", 29: "sensing the supply"}
_ANALOG = (26, 27, 28)
# A typing error rather than a divider lies outside.
_LEAST_OHM = 100
_MOST_OHM = 1000000


def read(text):
    """The checked wiring and None, or None and one sentence that says what is wrong with `text`."""
    try:
        data = json.loads(text)
    except ValueError:
        return None, "The wiring file is not JSON. Send a whole one."
    problem = check(data)
    return (None, problem) if problem else (data, None)


def check(data):
    """None, or one sentence that says what is wrong with the wiring and what to do."""
    if not isinstance(data, dict):
        return "The wiring file must hold one JSON object. See the examples."
    return _shape(data) or _pins(data) or _slices(data) or _functions(data)


def _shape(data):
    problem = _keys(
        data, "The file", ("board", "pump", "valve", "pedals"), ("blow", "sensor", "supply", "panel", "addons")
    )
    if problem:
        return problem
    if not isinstance(data["board"], str) or not 0 < len(data["board"]) <= 24:
        return "`board` must be a name of 1 to 24 letters."
    if not isinstance(data["pedals"], list) or not 1 <= len(data["pedals"]) <= 2:
        return "`pedals` must list one or two pins."
    sensor = data.get("sensor")
    if sensor is not None:
        kind = sensor.get("kind") if isinstance(sensor, dict) else None
        if kind == "analog":
            problem = _keys(sensor, "`sensor`", ("kind", "pin"), ("falling",))
            if not problem and not isinstance(sensor.get("falling", False), bool):
                problem = "`sensor.falling` must be true or false."
        elif kind == "i2c":
            problem = _keys(sensor, "`sensor`", ("kind", "sda", "scl", "address"), ())
            if not problem and not (_whole(sensor["address"]) and 8 <= sensor["address"] <= 119):
                problem = "`sensor.address` must be an I2C address from 8 to 119."
        else:
            problem = '`sensor` must have the kind "analog" or "i2c". Leave it out where there is none.'
        if problem:
            return problem
    if "supply" in data:
        problem = _keys(data["supply"], "`supply`", ("pin", "top_ohm", "bottom_ohm"), ())
        if problem:
            return problem
        for name in ("top_ohm", "bottom_ohm"):
            ohm = data["supply"][name]
            if not _whole(ohm) or not _LEAST_OHM <= ohm <= _MOST_OHM:
                return "`supply.%s` must be a whole number of ohms from %d to %d." % (name, _LEAST_OHM, _MOST_OHM)
    if "panel" in data:
        problem = _keys(data["panel"], "`panel`", ("a", "b", "push", "lamps"), ())
        if problem:
            return problem
        if not isinstance(data["panel"]["lamps"], list) or len(data["panel"]["lamps"]) != LAMPS:
            return "`panel.lamps` must list %d pins." % LAMPS
    addons = data.get("addons", {})
    if not isinstance(addons, dict):
        return "`addons` must be a JSON object: each add-on's name with its pins."
    for name in addons:
        if not isinstance(addons[name], dict):
            return (
                "`addons.%s` must be a JSON object: names of pins, as the add-on asks for them, with their GPIO." % name
            )
    return None


def _keys(part, where, needed, allowed):
    if not isinstance(part, dict):
        return "%s must be a JSON object." % where
    for name in needed:
        if name not in part:
            return "%s lacks `%s`. Add it." % (where, name)
    for name in part:
        if name not in needed and name not in allowed:
            return "%s has `%s`, which is nothing known. Correct or remove it." % (where, name)
    return None


def _whole(value):
    return isinstance(value, int) and not isinstance(value, bool)


def uses(data):
    """Every (what, pin) of a wiring whose shape is right."""
    found = [("pump", data["pump"]), ("valve", data["valve"])]
    if "blow" in data:
        found.append(("blow", data["blow"]))
    for i in range(len(data["pedals"])):
        found.append(("pedals[%d]" % i, data["pedals"][i]))
    for part, names in (("sensor", ("pin", "sda", "scl")), ("supply", ("pin",)), ("panel", ("a", "b", "push"))):
        for name in names:
            if name in data.get(part, ()):
                found.append(("%s.%s" % (part, name), data[part][name]))
    if "panel" in data:
        for i in range(LAMPS):
            found.append(("panel.lamps[%d]" % i, data["panel"]["lamps"][i]))
    return found + addon_uses(data)


def addon_uses(data):
    """Every (what, pin) of the add-ons."""
    found = []
    for addon in data.get("addons", {}):
        for name in data["addons"][addon]:
            found.append(("addons.%s.%s" % (addon, name), data["addons"][addon][name]))
    return found


def _pins(data):
    owner = {}
    for what, pin in uses(data):
        if not _whole(pin):
            return "`%s` must be a GPIO number." % what
        if pin in _TAKEN:
            return "`%s` is on GPIO %d, which a Pico needs for %s. Choose another." % (what, pin, _TAKEN[pin])
        if not 0 <= pin <= 28:
            return "`%s` is on GPIO %d, which a Pico does not have. Choose one from 0 to 22 or 26 to 28." % (what, pin)
        if pin in owner:
            return "GPIO %d is used twice, by `%s` and `%s`. Move one of them." % (pin, owner[pin], what)
        owner[pin] = what
    return None


def pwm_slice(pin):
    """PWM slice of a GPIO; RP2040 data sheet, 4.5.2: pins n, n + 1 (n even) and both plus 16 share one."""
    return (pin >> 1) & 7


def _slices(data):
    # Pump, valve and bar each have a frequency of their own; the lamps have one together, but a channel each.
    users = [("pump", "pump", data["pump"]), ("valve", "valve", data["valve"])]
    if "panel" in data:
        for i in range(LAMPS):
            users.append(("bar", "panel.lamps[%d]" % i, data["panel"]["lamps"][i]))
    # An add-on may dim any of its pins, at the bar's frequency.
    for what, pin in addon_uses(data):
        users.append(("bar", what, pin))
    slices = {}
    channels = {}
    for group, what, pin in users:
        other_group, other, other_pin = slices.setdefault(pwm_slice(pin), (group, what, pin))
        if other_group != group:
            return "%s need two frequencies, but share PWM slice %d. Move one of them." % (
                _both(other, other_pin, what, pin),
                pwm_slice(pin),
            )
        other, other_pin = channels.setdefault(pin & 15, (what, pin))
        if other_pin != pin:
            return "%s are one PWM channel. Move one of them." % _both(other, other_pin, what, pin)
    return None


def _both(one, pin, other, other_pin):
    return "`%s` on GPIO %d and `%s` on GPIO %d" % (one, pin, other, other_pin)


def _functions(data):
    sensor = data.get("sensor", {})
    for what, pin in (("sensor.pin", sensor.get("pin", 26)), ("supply.pin", data.get("supply", {}).get("pin", 26))):
        if pin not in _ANALOG:
            return "`%s` is on GPIO %d, which cannot measure a voltage. Choose 26, 27 or 28." % (what, pin)
    if "sda" in sensor:
        # RP2040 data sheet, 1.4.3: SDA on even pins, SCL on odd ones, controllers 0 and 1 in turn.
        if sensor["sda"] % 2 or sensor["scl"] % 4 != sensor["sda"] % 4 + 1:
            return "%s are not one I2C port. Choose an even pin and the next." % _both(
                "sensor.sda", sensor["sda"], "sensor.scl", sensor["scl"]
            )
    return None
