"""What each reading of the registry reads."""

from airquill_protocol import settings
from airquill_protocol import tables as t


def _tenths(duty):
    """A u16 duty as tenths of a percent, rounded."""
    return (duty * 1000 + 32767) // 65535


def find(app, path):
    """Index of a reading's path, or -1; an add-on's come behind the registry's."""
    index = settings.find_reading(path)
    return app.addons.find_reading(path) if index < 0 and app.addons is not None else index


def read(app, index):
    """The value of a reading, as the registry types it."""
    if index == t.R_VACUUM_KPA:
        return app.sensor.kpa
    if index == t.R_PUMP_DUTY_PCT:
        return _tenths(app.pump.duty)
    if index == t.R_VALVE_DUTY_PCT:
        return _tenths(app.board.valve_duty())
    if index == t.R_CYCLE_STATE:
        return app.cycle.state
    if index == t.R_CYCLE_GRIP:
        return app.cycle.grip
    if index < t.R_CYCLE_PICKS:
        return app.sensor.code if index == t.R_SENSOR_CODE else app.sensor.noise
    if index < t.R_KEYS_SENT:
        return _counts(app, index)
    if index < t.R_LIFE_PUMP_H:
        return _host(app, index)
    return _unit(app, index)


def _counts(app, index):
    if index == t.R_CYCLE_PICKS:
        return app.cycle.picks
    if index == t.R_CYCLE_RELEASED:
        return app.cycle.released
    if index < t.R_PEDALN_PRESSES:
        return 1 if app.pedals[index - t.R_PEDALN_DOWN].down else 0
    return app.pedals[index - t.R_PEDALN_PRESSES].presses


def _host(app, index):
    if index == t.R_KEYS_SENT:
        return app.keyboard.sent
    if index == t.R_KEYS_DROPPED:
        return app.keyboard.dropped
    if index == t.R_KEYS_HOST:
        return app.board.key_host()
    if index == t.R_PRESET_STRENGTH_PCT:
        return app.cycle.strength
    return app.board.supply_code10mv()


def _unit(app, index):
    if index == t.R_LIFE_PUMP_H:
        return app.life.pump_s() // 36
    if index == t.R_LIFE_PUMP_STARTS:
        return app.life.starts()
    if index == t.R_LIFE_FILTER_H:
        return app.life.filter_s() // 36
    if index == t.R_LIFE_BOOTS:
        return app.life.boots
    if index == t.R_LINK_BAD_LINES:
        return app.link.bad_lines
    if index == t.R_LINK_DROPPED:
        return app.link.dropped
    if index == t.R_LOOP_TICK_US:
        longest, app.longest_us = app.longest_us, 0
        return longest
    if index == t.R_LOOP_FREE_BYTES:
        return app.board.free_bytes()
    if index == t.R_LOOP_UPTIME_S:
        return app.uptime_s
    if index == t.R_FAULT_ACTIVE:
        return app.fault_number
    return 1 if app.unsaved() else 0
