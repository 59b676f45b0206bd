"""What can be wrong with a virtual unit beside its air and its sensor: each by name, with a strength of 0 to 1."""

OWN_FAULTS = (
    "pedal_bounce",  # bursts grow by up to 40 ms
    "pedal_chatter",  # a closed contact opens for that share of moments of 30 ms
    "cable_open",  # the pedal's line reads open for that share of moments of 50 ms
    "cable_short",  # the pedal's line reads closed for that share of moments of 50 ms
    "pwm_pickup",  # while the pump's PWM runs, half that share of samples of the line is wrong, all of it has edges
    "serial_unread",  # the host leaves serial output unread for that share of seconds
    "serial_flip",  # up to one byte in a hundred has a wrong bit, both ways
    "serial_drop",  # up to one byte in a hundred is lost, both ways
    "serial_double",  # up to one byte in a hundred arrives twice, both ways
    "usb_suspend",  # the host sleeps for that share of seconds
    "usb_unplug",  # the keyboard interface is gone for that share of seconds
    "flash_wear",  # that share of programmed pages keeps a wrong bit
    "erase_stall",  # erasing takes up to 400 ms
)


def slot_share(seed: int, slot: int) -> float:
    """A number of 0 up to 1 that belongs to a moment: the same for the same seed, unrelated to its neighbours'."""
    x = (seed * 0x9E3779B1 + slot * 0x85EBCA77 + 0x165667B1) & 0xFFFFFFFF
    x ^= x >> 16
    x = (x * 0x45D9F3B) & 0xFFFFFFFF
    x ^= x >> 16
    x = (x * 0x45D9F3B) & 0xFFFFFFFF
    x ^= x >> 16
    return x / 4294967296.0
