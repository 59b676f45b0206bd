# Echoes lines, follows a pedal, reads an ADC pin, drives a PWM pin: enough to test the bench, not the product.
import select
import sys
import time

import micropython
from boot_state import busy, leds, seen, strike, usb
from machine import ADC, PWM, Pin, mem32

micropython.kbd_intr(-1)
pedal = Pin(14, Pin.IN, Pin.PULL_UP)
lamp = Pin(15, Pin.OUT, value=0)
pwm = PWM(Pin(16), freq=25_000, duty_u16=0)
adc = ADC(26)
edges = 0


def edge(pin):
    global edges
    edges += 1


pedal.irq(edge, Pin.IRQ_FALLING | Pin.IRQ_RISING, hard=True)
poll = select.poll()
poll.register(sys.stdin, select.POLLIN)
line = ""
was = 1
while True:
    now = pedal.value()
    if now != was and not busy[0]:
        was = now
        lamp.value(not now)
        strike(0 if now else 0x51)
    if not poll.poll(0):
        time.sleep_ms(1)
    else:
        c = sys.stdin.read(1)
        if c != "\n":
            line += c
            continue
        word, _, rest = line.partition(" ")
        line = ""
        if word == "pwm":
            hz, duty = rest.split()
            pwm.freq(int(hz))
            pwm.duty_u16(int(duty))
            print("ok")
        elif word == "adc":
            print(adc.read_u16())
        elif word == "frame":
            print(mem32[0x50110048], mem32[0x50110050] >> 4 & 1)
        elif word == "leds":
            print(leds[0])
        elif word == "seen":
            print(seen[-1])
        elif word == "leave":
            usb.active(False)
            time.sleep_ms(20)
            usb.active(True)
        elif word == "edges":
            print(edges)
        elif word == "count":
            with open("/count", "r+") as f:  # noqa: PTH123
                n = int(f.read()) + 1
                f.seek(0)
                f.write(str(n))
            print(n)
        elif word == "flood":
            for i in range(int(rest)):
                print("row", i)
            print("end")
        else:
            print(word, rest)
