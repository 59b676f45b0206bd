"""Time of a virtual unit that runs as fast as it is asked to."""


class VirtualClock:
    """Microseconds since the world began; moves only when it is told to."""

    def __init__(self) -> None:
        self.us = 0

    def now(self) -> int:
        """Microseconds since the world began."""
        return self.us

    def spend(self, us: int) -> None:
        """Let time pass with the processor busy."""
        self.us += us

    def wait_until(self, us: int) -> None:
        """Let time pass until then, with the processor idle."""
        if us > self.us:
            self.us = us
