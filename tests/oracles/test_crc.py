"""The line's check sum against crccheck 1.3.1's catalogue: CRC-32/ISO-HDLC, check value of "123456789" 0xcbf43926."""

import crccheck
from hypothesis import given
from hypothesis import strategies as st

from airquill_protocol import frame

CHECK_TEXT = "123456789"
CHECK_VALUE = 0xCBF43926


def test_the_catalogue_has_the_published_check_value() -> None:
    assert crccheck.crc.Crc32IsoHdlc.calc(CHECK_TEXT.encode()) == CHECK_VALUE


def test_the_line_carries_the_catalogue_check_value() -> None:
    assert frame.frame(CHECK_TEXT) == b"123456789 *cbf43926\n"


@given(st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=frame.BODY_BYTES))
def test_any_line_carries_the_catalogue_crc(body: str) -> None:
    line = frame.frame(body)
    assert int(line[-9:-1], 16) == crccheck.crc.Crc32IsoHdlc.calc(body.encode())
    assert frame.unframe(line[:-1]) == (frame.GOOD, body)


@given(st.text(st.characters(min_codepoint=32, max_codepoint=126), min_size=1, max_size=100), st.data())
def test_a_flipped_bit_is_always_seen(body: str, data: st.DataObject) -> None:
    line = bytearray(frame.frame(body)[:-1])
    at = data.draw(st.integers(0, len(line) - 1))
    line[at] ^= 1 << data.draw(st.integers(0, 7))
    assert frame.unframe(line)[0] != frame.GOOD
