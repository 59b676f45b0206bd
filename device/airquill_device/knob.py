"""A turning knob with two contacts to ground, a quarter of a click apart."""

# Quarter of a click for each (old pair << 2 | new pair), pair = contact a << 1 | contact b; 0 where both moved at once.
_QUARTER = (0, -1, 1, 0, 1, 0, 0, -1, -1, 0, 0, 1, 0, 1, -1, 0)


class Knob:
    """Counts clicks: one is four quarters, from both contacts open to both open (common practice, no source)."""

    def __init__(self, a_mask, b_mask):
        self._a = a_mask
        self._b = b_mask
        self._pair = 3
        self._quarters = 0
        self._clicks = 0

    def follow(self, pins):
        """Take the pins' levels of now, one bit each; open contacts are high."""
        pair = (2 if pins & self._a else 0) | (1 if pins & self._b else 0)
        if pair == self._pair:
            return
        self._quarters += _QUARTER[self._pair << 2 | pair]
        self._pair = pair
        if pair == 3:  # at rest again; two quarters are enough, so one missed edge does not cost the click
            if self._quarters >= 2:
                self._clicks += 1
            elif self._quarters <= -2:
                self._clicks -= 1
            self._quarters = 0

    def take(self):
        """Clicks since last taken, clockwise positive: contact a closes first."""
        clicks = self._clicks
        self._clicks = 0
        return clicks
