"""A boot keyboard beside the built-in serial port: descriptors, control requests, reports.

Sources: USB 2.0 chapter 9; HID 1.11 sections 6.2 (descriptors), 7.2 (requests), appendix B.1 and F.3 (boot keyboard).
No part of `machine` is used here: board.py hands in the USB device.
"""

from airquill_protocol.compat import const

ABSENT = const(0)
ASLEEP = const(1)
READY = const(2)

PRODUCT = "Airquill"
REPORT_BYTES = const(8)

# The boot keyboard of HID 1.11 appendix B.1 with its highest usage raised from 0x65 to 0x73, so that F13 to F24 arrive.
REPORT_DESCRIPTOR = (
    b"\x05\x01\x09\x06\xa1\x01"  # usage page desktop, usage keyboard, collection application
    b"\x05\x07\x19\xe0\x29\xe7\x15\x00\x25\x01\x75\x01\x95\x08\x81\x02"  # eight modifiers, one bit each
    b"\x95\x01\x75\x08\x81\x03"  # one byte reserved
    b"\x95\x05\x75\x01\x05\x08\x19\x01\x29\x05\x91\x02"  # five lamps
    b"\x95\x01\x75\x03\x91\x03"  # three bits to fill the byte
    b"\x95\x06\x75\x08\x15\x00\x25\x73\x05\x07\x19\x00\x29\x73\x81\x00"  # six keys
    b"\xc0"
)

_HID = const(0x21)
_REPORT = const(0x22)
_SETUP = const(1)
_FRAME = const(0x50110048)  # number of the last USB frame; source: RP2040 data sheet, 4.1.4, SOF_RD
_TICKS_MASK = const(0x3FFFFFFF)
# A host sends a frame start every millisecond; a bus idle for 3 ms is suspended. Source: USB 2.0, 7.1.7.6 and 8.4.3.
_QUIET_US = const(5000)


def hid_descriptor():
    """HID 1.11, 6.2.1: version 1.11, no country, one report descriptor."""
    n = len(REPORT_DESCRIPTOR)
    return bytes((9, _HID, 0x11, 0x01, 0, 1, _REPORT, n & 255, n >> 8))


def configuration(builtin, interface, endpoint, string):
    """Configuration descriptor: the built-in one with the keyboard's interface behind it.

    `interface`, `endpoint` and `string` are the first numbers that the built-in part leaves free.
    """
    keyboard = (
        bytes((9, 4, interface, 0, 1, 3, 1, 1, string))  # class HID, boot subclass, protocol keyboard
        + hid_descriptor()
        + bytes((7, 5, 0x80 | endpoint, 3, REPORT_BYTES, 0, 1))  # interrupt IN, polled every millisecond
    )
    whole = bytearray(builtin + keyboard)
    whole[2] = len(whole) & 255
    whole[3] = len(whole) >> 8
    whole[4] += 1
    return bytes(whole)


class Keyboard:
    """Reports to the host, one at a time: a report that the host has not read is never replaced.

    `usb` is the USB device, `words` the chip's registers by address, `ticks_us` its clock.
    """

    def __init__(self, usb, words, ticks_us):
        builtin = usb.BUILTIN_CDC
        self._usb = usb
        self._words = words
        self._ticks_us = ticks_us
        self._interface = builtin.itf_max
        self._endpoint = 0x80 | builtin.ep_max
        self._report = bytearray(REPORT_BYTES)
        self._leds = bytearray(1)
        self._idle = bytearray(1)
        self._protocol = bytearray(b"\x01")
        self._hid = hid_descriptor()
        self._open = False
        self._unread = False
        self._zero_due = False
        self._state = ABSENT
        self._frame = -1
        self._still_us = -1
        self._sent_us = 0
        self._mounts = 0
        usb.builtin_driver = builtin
        usb.config(
            builtin.desc_dev,
            configuration(builtin.desc_cfg, builtin.itf_max, builtin.ep_max, builtin.str_max),
            {1: "home-built", 2: PRODUCT, builtin.str_max: "Airquill keyboard"},
            self._on_open,
            self._on_reset,
            self._on_control,
            self._on_sent,
        )
        usb.active(True)

    def leds(self):
        """The host's keyboard lamps: bit 0 Num Lock, 1 Caps Lock, 2 Scroll Lock (HID usage page 0x08)."""
        return self._leds[0]

    def host(self):
        """ABSENT, ASLEEP or READY. To be asked every pass, which is how mount, suspend and resume are noticed."""
        state = self._state
        frame = self._words[_FRAME]
        if not self._open:
            state = ABSENT
        elif frame != self._frame:
            self._frame = frame
            self._still_us = -1
            state = READY
        elif state == ABSENT:
            state = READY
        elif state == READY and self._stands_still():
            state = ASLEEP
        if state != self._state:
            self._state = state
            if state == READY:
                self._mounts += 1
        if state == READY and (self._zero_due or self._idle[0]):
            self._keep_up()
        return state

    def _stands_still(self):
        # Frame numbers stand still only when the bus does.
        now = self._ticks_us()
        if self._still_us < 0:
            self._still_us = now
        return ((now - self._still_us) & _TICKS_MASK) > _QUIET_US

    def _keep_up(self):
        if self._zero_due:
            self._send_zero()
        elif not self._unread and ((self._ticks_us() - self._sent_us) & _TICKS_MASK) >= self._idle[0] * 4000:
            self._submit()  # the host asked by Set_Idle to hear unchanged keys again

    def mounts(self):
        """How often the host became ready, at a mount or at a resume."""
        return self._mounts

    def send(self, report):
        """Queue eight bytes; False where the host is not ready or has not read the report before."""
        if self._state != READY or self._unread or self._zero_due:
            return False
        self._report[:] = report  # allocates nothing, unlike a slice that is read
        return self._submit()

    def release(self):
        """All keys up: at once, or as soon as the host has read the report before."""
        self._zero_due = True
        self._send_zero()

    def _send_zero(self):
        if self._unread or self._state != READY:
            return
        for i in range(REPORT_BYTES):
            self._report[i] = 0
        self._zero_due = not self._submit()

    def _submit(self):
        self._unread = True
        self._sent_us = self._ticks_us()
        try:
            self._unread = self._usb.submit_xfer(self._endpoint, self._report)
        except OSError:  # USB went away between the last pass and this
            self._unread = False
        return self._unread

    # ---- called by the USB stack between two bytecodes of the loop

    def _on_open(self, _descriptor):
        self._open = True

    def _on_reset(self):
        self._open = False
        self._unread = False
        self._zero_due = False
        self._frame = -1
        self._state = ABSENT
        self._idle[0] = 0
        self._protocol[0] = 1  # HID 1.11, 7.2.6: report protocol after a reset
        self._leds[0] = 0

    def _on_sent(self, endpoint, _result, _count):
        if endpoint == self._endpoint:
            self._unread = False
            if self._zero_due:
                self._send_zero()
        return True

    def _on_control(self, stage, request):
        """The answer to a request to our interface: data, True to accept, False to stall."""
        if request[4] != self._interface:
            return False
        kind = request[0]
        what = request[1]
        if kind == 0x81 and what == 6:  # Get_Descriptor
            if stage != _SETUP:
                return True
            if request[3] == _REPORT:
                return REPORT_DESCRIPTOR
            return self._hid if request[3] == _HID else False
        if kind == 0xA1:
            answer = False
            if what == 1:  # Get_Report: 1 input, 2 output
                answer = self._report if request[3] == 1 else self._leds if request[3] == 2 else False
            elif what == 2:
                answer = self._idle
            elif what == 3:
                answer = self._protocol
            return answer if stage == _SETUP or answer is False else True
        if kind == 0x21:
            if what == 9 and request[3] == 2:  # Set_Report of the lamps
                return self._leds if stage == _SETUP else True
            if what == 10:
                self._idle[0] = request[3]
                return True
            if what == 11:
                self._protocol[0] = request[2] & 1
                return True
        return False
