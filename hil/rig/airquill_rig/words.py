"""What goes to the PIO programs and comes from them, as numbers. Times in us, duties in hundredths of a percent."""

SHORTEST_US = 4
_HIGH_EXTRA = 3
_LOW_EXTRA = 4
_HALF = 0x80000000


def press_words(ms, bounce):
    """Words for `play` at 1 MHz: closed for `ms`, at either edge with changes at the times of `bounce`, then open.

    ValueError when times are not rising, or nearer than 4 us, or the press is over before its bounce.
    """
    words = []
    for level, length in ((1, ms * 1000), (0, 0)):
        at = 0
        for us in bounce:
            if us - at < SHORTEST_US:
                raise ValueError("bounce")
            words.append((us - at - SHORTEST_US) << 1 | level)
            level ^= 1
            at = us
        # An even number of changes ends where the press is going.
        if len(bounce) & 1:
            words.append(((100 - SHORTEST_US) << 1) | level)
            level ^= 1
            at += 100
        rest = length - at if length else SHORTEST_US
        if rest < SHORTEST_US:
            raise ValueError("ms")
        words.append((rest - SHORTEST_US) << 1 | level)
    return words


def lasted(word):
    """A word of `gate`: (level, cycles)."""
    if word < _HALF:
        return 1, 2 * word + _HIGH_EXTRA
    return 0, 2 * (word ^ 0xFFFFFFFF) + _LOW_EXTRA
