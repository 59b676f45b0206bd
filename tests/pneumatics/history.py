"""One history of air, part and sensor, printed number by number; the tests run it on more than one interpreter."""

from airquill.pneumatics import ambient, flow
from airquill.pneumatics.air import FAULTS, Air
from airquill.pneumatics.needles import Needle
from airquill.pneumatics.part import Part, Tip
from airquill.pneumatics.pump import Pump
from airquill.pneumatics.sensor import Sensor


def main() -> None:
    """Print name and value, one a line."""
    print("ambient", f"{ambient.ambient_pa(1234.5, -900.0):.17g}")
    print("viscosity", f"{ambient.viscosity(31.0):.17g}")
    for gauge in (18, 22, 30):
        print("c", f"{Needle(gauge).c:.17g}")
    print("friction", f"{flow.friction_factor(3000.0):.17g}")
    air = Air(Pump(4.2, 61.0, 0.2), needle=Needle(20))
    tip = Tip(air, 9)
    sensor = Sensor(seed=4)
    part = Part(2.0, 1.25, 0.5, 5.0, 3.0)
    for n, fault in enumerate(FAULTS):
        air.set_fault(fault, 0.02 * n)
    for phase in range(6):
        air.pump_duty = 0.9 - 0.1 * phase
        air.valve_drive = 1.0 if phase % 3 else 0.0
        air.blow_open = 1 if phase == 3 else 0
        if phase == 1:
            tip.touch(part)
        elif phase == 2:
            tip.lift()
        for step in range(150):
            air.step(0.001)
            tip.step()
            sensor.step(air.pen_kpa, 0.001)
            if step % 10 == 0:
                print("pen", f"{air.pen_kpa:.17g}")
                print("pump", f"{air.pump_kpa:.17g}")
                print("tip", f"{air.tip_lpm:.17g}")
                print("code", sensor.code())
        print("force", f"{tip.force_mn():.17g}", tip.losses)


main()
