"""What a host reads out of USB descriptors: interfaces, endpoints, and where the serial port and keyboard are.

Layout: USB 2.0 section 9.6; the HID descriptor: HID 1.11 section 6.2.1.
"""

from dataclasses import dataclass, field

INTERFACE, ENDPOINT, HID = 4, 5, 0x21
CLASS_CDC, CLASS_HID, CLASS_CDC_DATA = 2, 3, 10


@dataclass(frozen=True)
class Endpoint:
    """One endpoint descriptor. `address` has bit 7 set for IN; `interval` counts frames of 1 ms."""

    address: int
    attributes: int
    packet_bytes: int
    interval: int

    @property
    def number(self) -> int:
        """Endpoint number without the direction bit."""
        return self.address & 0x0F

    @property
    def is_in(self) -> bool:
        """True when data flows to the host."""
        return bool(self.address & 0x80)


@dataclass
class Interface:
    """One interface descriptor with its endpoints; `report_bytes` is the HID report descriptor's length."""

    number: int
    usb_class: int
    subclass: int
    protocol: int
    string_index: int
    endpoints: list[Endpoint] = field(default_factory=list)
    report_bytes: int = 0


def interfaces(configuration: bytes) -> list[Interface]:
    """Interfaces in a configuration descriptor set, in order.

    Raises:
        ValueError: a descriptor's length byte is impossible.
    """
    found: list[Interface] = []
    at = 0
    while at < len(configuration):
        length = configuration[at]
        if length < 2 or at + length > len(configuration):
            raise ValueError(f"Descriptor at byte {at} of the configuration claims {length} bytes; the set is damaged.")
        body = configuration[at : at + length]
        if body[1] == INTERFACE:
            found.append(Interface(body[2], body[5], body[6], body[7], body[8]))
        elif body[1] == ENDPOINT:
            found[-1].endpoints.append(Endpoint(body[2], body[3], body[4] | body[5] << 8, body[6]))
        elif body[1] == HID and found[-1].usb_class == CLASS_HID:
            found[-1].report_bytes = body[7] | body[8] << 8
        at += length
    return found
