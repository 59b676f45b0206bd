# A boot keyboard beside the built-in serial port, for tests of the bench itself.
import machine

REPORT = bytes.fromhex(
    "05010906a101050719e029e71500250175019508810295017508810195057501050819012905910295017503910195067508150025650507"
    "190029658100c0"
)
usb = machine.USBDevice()
builtin = usb.BUILTIN_CDC
usb.builtin_driver = builtin
FACE = builtin.itf_max
POINT = builtin.ep_max | 0x80
conf = bytearray(builtin.desc_cfg)
conf += bytes((9, 4, FACE, 0, 1, 3, 1, 1, 0))
conf += bytes((9, 0x21, 0x11, 1, 0, 1, 0x22, len(REPORT), 0))
conf += bytes((7, 5, POINT, 3, 8, 0, 1))
conf[2] = len(conf)
conf[4] = FACE + 1
report = bytearray(8)
leds = bytearray(1)
seen = []
busy = [False]


def control(stage, request):
    kind, what = request[0], request[1]
    if stage != 1:
        return True
    seen.append((kind, what, request[2] | request[3] << 8))
    if kind == 0x81 and what == 6 and request[3] == 0x22:
        return REPORT
    if kind == 0x21 and what in (0x0A, 0x0B):  # Set_Idle, Set_Protocol
        return True
    if kind == 0x21 and what == 9:  # Set_Report
        return leds
    if kind == 0xA1 and what == 1:  # Get_Report
        return report
    return False


def moved(endpoint, result, count):
    busy[0] = False


def strike(usage):
    report[2] = usage
    busy[0] = True
    usb.submit_xfer(POINT, report)


usb.config(builtin.desc_dev, conf, {}, open_itf_cb=lambda d: None, control_xfer_cb=control, xfer_cb=moved)
usb.active(True)
