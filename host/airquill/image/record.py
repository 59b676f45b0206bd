"""A profile in an image: a saved record of settings, made by the firmware's own store."""

from __future__ import annotations

from collections.abc import Mapping

from airquill.errors import AirquillError
from airquill.image.layout import STORE_BLOCKS
from airquill.link.catalogue import SETTINGS
from airquill.link.convert import Value, to_wire
from airquill.link.entries import ADDON
from airquill.link.lookup import find_setting
from airquill_device import store
from airquill_device.store import Store
from airquill_protocol import settings as slots
from airquill_protocol import tables

BLOCKS_A_KIND = 2


class _Blocks:
    """The two blocks of the settings as the store's board."""

    def __init__(self, content: bytes, block_bytes: int) -> None:
        self.content = bytearray(content)
        self._block_bytes = block_bytes

    def _place(self, role: int, offset: int, count: int) -> slice:
        start = role * self._block_bytes + offset
        return slice(start, start + count)

    def store_read(self, role: int, offset: int, buf: bytearray) -> None:
        buf[:] = self.content[self._place(role, offset, len(buf))]

    def store_program(self, role: int, offset: int, buf: bytes) -> None:
        self.content[self._place(role, offset, len(buf))] = buf


def with_record(image: bytes, block_bytes: int, values: Mapping[str, Value]) -> tuple[bytes, set[int]]:
    """The disk image with these settings (path to value) saved on it, and the blocks that hold them: all that there are
    for settings, so that no older record of the unit outlives them. Raises AirquillError for a setting of an add-on."""
    running = slots.default_values()
    for path, value in values.items():
        if path.startswith(ADDON):
            raise AirquillError(
                f"{path} belongs to an add-on; an image carries settings of the firmware only. Leave it out."
            )
        slot = slots.find(path)
        running[slot] = slots.parse(slot, to_wire(find_setting(path, SETTINGS), value))
    blocks = _Blocks(b"\xff" * block_bytes * BLOCKS_A_KIND, block_bytes)
    records = Store(blocks)
    records.load(store.SETTINGS)
    records.save_values(store.SETTINGS, running)
    while records.state == store.WORKING:
        records.tick(0)
    start = STORE_BLOCKS[0] * block_bytes
    whole = image[:start] + bytes(blocks.content) + image[start + len(blocks.content) :]
    return whole, set(STORE_BLOCKS[:BLOCKS_A_KIND])


def read_record(image: bytes, block_bytes: int) -> dict[str, str] | None:
    """Settings of the record on a disk image that differ from the factory's, as on the line; None without a record."""
    start = STORE_BLOCKS[0] * block_bytes
    found = Store(_Blocks(image[start : start + block_bytes * BLOCKS_A_KIND], block_bytes)).load(store.SETTINGS)
    if found.payload is None:
        return None
    factory = slots.default_values()
    values = list(factory)
    store.decode_values(found.payload, values)
    return {
        slots.path(slot): slots.render(slot, values[slot])
        for slot in range(tables.SLOTS)
        if values[slot] != factory[slot]
    }
