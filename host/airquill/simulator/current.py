"""Supply current of the unit at 12 V, in mA: motor, valve, electronics.

A motor draws by what its voltage exceeds its counter-voltage, and behind a switch the supply gives that current for the
duty's share of the time only. The figures are those of docs/wiring.md's pump and valve: 0.8 A and 0.3 A, the motor's
stall current four times its running one (from memory).
"""

PUMP_STALL_MA = 3200.0
COUNTER_VOLTAGE = 0.75  # of the supply, at rated speed: 800 mA are left of the stall current
VALVE_MA = 300.0
IDLE_MA = 30.0  # converter and chip (from memory)


def supply_ma(pump_drive: float, pump_speed: float, valve_drive: float) -> float:
    """Current for drives of 0 to 1 and a speed as a share of rated."""
    motor_ma = PUMP_STALL_MA * max(pump_drive - COUNTER_VOLTAGE * pump_speed, 0.0)
    return IDLE_MA + pump_drive * motor_ma + valve_drive * valve_drive * VALVE_MA
