"""The serial line of a unit that lives in the host's process, and what a bad line does to bytes."""

from airquill.pneumatics.sensor import Noise

QUEUE_BYTES = 256  # of the chip's USB serial driver


class Wire:
    """Bytes between host and unit: `to_unit` until the unit takes them, `to_host` until the host reads them."""

    def __init__(self) -> None:
        self.to_unit = bytearray()
        self.to_host = bytearray()
        self.is_open = False

    def read(self, limit: int) -> bytes:
        """At most `limit` bytes from the host."""
        data = bytes(self.to_unit[:limit])
        del self.to_unit[:limit]
        return data

    def waiting(self) -> bool:
        """True when the host has sent something."""
        return bool(self.to_unit)

    def room(self) -> int:
        """Bytes that fit now. With no host at the port any number: they are lost."""
        return QUEUE_BYTES - len(self.to_host) if self.is_open else QUEUE_BYTES

    def write(self, data: bytes) -> None:
        """Bytes to the host, at most room() of them."""
        if self.is_open:
            self.to_host += data

    def lose_all(self) -> None:
        """The unit is gone: what was under way is lost."""
        self.to_unit[:] = b""


class Noisy:
    """Flips, drops and doubles bytes of one direction by the strengths in `faults`."""

    WORST = 0.01  # share of bytes hit at strength 1

    def __init__(self, faults: "dict[str, float]", noise: Noise) -> None:
        self._faults = faults
        self._uniform = noise.uniform

    def __call__(self, data: bytes) -> bytes:
        """The bytes that arrive."""
        f = self._faults
        flip, drop, double = f["serial_flip"], f["serial_drop"], f["serial_double"]
        if not (flip or drop or double):
            return data
        out = bytearray()
        for byte in data:
            if self._uniform() < drop * self.WORST:
                continue
            if self._uniform() < flip * self.WORST:
                byte ^= 1 << int(self._uniform() * 8)
            out.append(byte)
            if self._uniform() < double * self.WORST:
                out.append(byte)
        return bytes(out)
