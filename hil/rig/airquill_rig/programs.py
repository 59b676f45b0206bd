"""PIO programs. The names in them are those of MicroPython's assembler, which puts them there."""

from rp2 import PIO, asm_pio


@asm_pio(fifo_join=PIO.JOIN_RX)
def gate():
    """Lasting of each level at the jmp pin, in pairs of cycles: high ones as a count n, low ones as its complement.

    A high level lasted 2 n + 3 cycles, a low one 2 n + 4. What finds the queue full is dropped.
    """
    wrap_target()
    mov(x, invert(null))
    label("high")
    jmp(x_dec, "still")
    label("still")
    jmp(pin, "high")
    mov(isr, invert(x))
    push(noblock)
    mov(x, invert(null))
    label("low")
    jmp(pin, "rose")
    jmp(x_dec, "low")
    label("rose")
    mov(isr, x)
    push(noblock)
    wrap()


@asm_pio(out_init=PIO.OUT_LOW, out_shiftdir=PIO.SHIFT_RIGHT, fifo_join=PIO.JOIN_TX)
def play():
    """Levels of a pin: the lowest bit of each word for as many cycles as the rest of it says, and 4."""
    wrap_target()
    pull(block)
    out(pins, 1)
    out(x, 31)
    label("hold")
    jmp(x_dec, "hold")
    wrap()
