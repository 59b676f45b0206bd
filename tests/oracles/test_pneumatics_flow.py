"""Ambient pressure and flow elements against standards, fluids 1.3.1 and CoolProp 8.0.0."""

from math import pi, sqrt

import fluids
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.optimize import brentq, minimize_scalar

from airquill.pneumatics import ambient, flow
from airquill.pneumatics.needles import SIZES_MM, Needle

try:
    from CoolProp import CoolProp as coolprop  # noqa: N813
except ImportError:
    coolprop = None

from conftest import require

COOLPROP = "needs CoolProp: pip install CoolProp"


def relative(value: float, reference: float) -> float:
    return abs(value / reference - 1.0)


@pytest.mark.parametrize("altitude", range(0, 4001, 250))
def test_ambient_is_the_standard_atmosphere(altitude: int, record_property) -> None:
    """fluids ATMOSPHERE_1976 takes a geometric altitude and shares this layer with ISO 2533."""
    reference = fluids.ATMOSPHERE_1976(float(altitude)).P
    error = relative(ambient.ambient_pa(ambient.geopotential_m(altitude)), reference)
    record_property("error", float(error))
    assert error < 5e-4


@pytest.mark.parametrize(
    ("altitude", "kpa"), [(0, 101.325), (500, 95.461), (1000, 89.876), (1500, 84.559), (2000, 79.501), (3000, 70.121)]
)
def test_ambient_is_the_table_of_iso_2533(altitude: int, kpa: float) -> None:
    """ISO 2533 table, geometric altitude; the values as tabulated, from memory."""
    assert relative(ambient.ambient_pa(ambient.geopotential_m(altitude)), kpa * 1e3) < 5e-4


def test_weather_scales_with_altitude() -> None:
    share = ambient.ambient_pa(1500.0) / ambient.ambient_pa(0.0)
    low = ambient.ambient_pa(1500.0, -3000.0)
    assert low == pytest.approx((101325.0 - 3000.0) * share)
    with pytest.raises(ValueError, match="outside"):
        ambient.ambient_pa(20000.0)


@pytest.mark.parametrize("temp_c", [0.0, 20.0, 40.0])
def test_viscosity_and_density(temp_c: float) -> None:
    require(coolprop, COOLPROP)
    kelvin = temp_c + 273.15
    assert relative(ambient.viscosity(temp_c), coolprop.PropsSI("V", "T", kelvin, "P", 101325.0, "Air")) < 0.01
    assert relative(ambient.density(101325.0, temp_c), coolprop.PropsSI("D", "T", kelvin, "P", 101325.0, "Air")) < 1e-3


def orifice_mass_flow(bore_mm: float, upstream: float, downstream: float) -> float:
    c = flow.orifice_c(bore_mm)
    return flow.mass_flow(flow.throughput(c, flow.ORIFICE_B, upstream, downstream))


@pytest.mark.parametrize("downstream", [30e3, 51325.0, 53e3])
def test_choked_orifice_against_fluids(downstream: float, record_property) -> None:
    """fluids: ideal-gas nozzle, choked; the published value for a 0.4 mm hole to 50 kPa vacuum is 3.0055e-5 kg/s."""
    area = pi / 4 * 0.4e-3**2
    throat = fluids.P_critical_flow(101325.0, 1.4)
    hot = fluids.T_critical_flow(293.15, 1.4)
    reference = throat / (ambient.R_AIR * hot) * sqrt(1.4 * ambient.R_AIR * hot) * area
    assert reference == pytest.approx(3.0055e-5, rel=1e-4)
    error = relative(orifice_mass_flow(0.4, 101325.0, downstream), reference)
    record_property("error", float(error))
    assert error < 5e-3


@pytest.mark.parametrize("ratio", [0.2, 0.54, 0.6, 0.7, 0.8, 0.9, 0.95, 0.98, 0.995])
@pytest.mark.parametrize("gas", ["ideal", "real"])
def test_orifice_against_isentropic_nozzle(ratio: float, gas: str, record_property) -> None:
    """CoolProp's air: greatest mass flux along the isentrope from 101325 Pa, 20 C; ideal by the textbook exponent."""
    upstream = 101325.0
    if gas == "real":
        require(coolprop, COOLPROP)
        enthalpy = coolprop.PropsSI("H", "T", 293.15, "P", upstream, "Air")
        entropy = coolprop.PropsSI("S", "T", 293.15, "P", upstream, "Air")

        def flux(pressure: float) -> float:
            speed = sqrt(2.0 * max(enthalpy - coolprop.PropsSI("H", "P", pressure, "S", entropy, "Air"), 0.0))
            return speed * coolprop.PropsSI("D", "P", pressure, "S", entropy, "Air")
    else:

        def flux(pressure: float) -> float:
            r = pressure / upstream
            density = upstream / (ambient.R_AIR * 293.15)
            return sqrt(2 * 3.5 * upstream * density * (r ** (2 / 1.4) - r ** (2.4 / 1.4)))

    best = minimize_scalar(lambda p: -flux(p), bounds=(0.3 * upstream, 0.8 * upstream), method="bounded").x
    reference = flux(max(best, ratio * upstream)) * pi / 4 * 0.4e-3**2
    error = relative(orifice_mass_flow(0.4, upstream, ratio * upstream), reference)
    record_property("error", float(error))
    assert error < 5e-3


@given(c=st.floats(1e-12, 1e-7), b=st.floats(0.0, 0.6), upstream=st.floats(1e3, 3e5), share=st.floats(0.0, 1.0))
def test_iso_6358_limits(c: float, b: float, upstream: float, share: float) -> None:
    """ISO 6358-1: m = C p1 rho0 sqrt(T0 / T) up to b, a quarter ellipse above, 0 at equal pressures."""
    choked = flow.throughput(c, b, upstream, upstream * b * share)
    assert choked == pytest.approx(c * upstream * 100e3, rel=1e-12)
    assert flow.throughput(c, b, upstream, upstream) == 0.0
    at, just_above = (
        flow.throughput(c, b, upstream, upstream * b),
        flow.throughput(c, b, upstream, upstream * (b + 1e-9)),
    )
    assert at == pytest.approx(just_above, rel=1e-12)
    ratio = b + share * (1 - b)
    ellipse = (ratio - b) ** 2 / (1 - b) ** 2 + (flow.throughput(c, b, upstream, ratio * upstream) / choked) ** 2
    assert ellipse == pytest.approx(1.0, abs=1e-6)
    assert flow.throughput(c, b, ratio * upstream, upstream) == -flow.throughput(c, b, upstream, ratio * upstream)


def test_iso_6358_mass_flow_units() -> None:
    """A valve of C = 1 dm3/(s bar) at 6 bar passes 6 dm3/s of reference air, 1.185 g/dm3 when damp (ISO 8778)."""
    passed = flow.throughput(flow.C_UNIT, 0.3, 6e5, 1e5)
    assert flow.lpm(passed) == pytest.approx(6.0 * 60.0, rel=1e-12)
    # dry air is 0.3 % denser than the damp reference
    assert relative(flow.mass_flow(passed), 6e-3 * flow.ANR_DENSITY) < 5e-3


@pytest.mark.parametrize(("bore", "length", "lpm"), [(2.5, 1000.0, 2.0), (2.0, 500.0, 1.0), (0.159, 50.0, 0.02)])
def test_laminar_tube_against_fluids(bore: float, length: float, lpm: float, record_property) -> None:
    """Hagen-Poiseuille: fluids' one-phase pressure drop of the same tube at the same mean density."""
    passed = lpm / 60000.0 * 101325.0
    assert flow.reynolds(passed, bore) < 2300.0
    area = pi / 4 * (bore * 1e-3) ** 2
    density, viscosity = ambient.density(101325.0), ambient.viscosity()
    speed = passed / 101325.0 / area
    assert relative(flow.reynolds(passed, bore), fluids.Reynolds(speed, bore * 1e-3, density, viscosity)) < 1e-9
    drop = fluids.one_phase_dP(density * speed * area, density, viscosity, bore * 1e-3, L=length * 1e-3)
    ours = flow.laminar_resistance(bore, length) * passed / 101325.0
    error = relative(ours, drop)
    record_property("error", float(error))
    assert error < 5e-3


@pytest.mark.parametrize("gauge", [25, 30, 34])
def test_needle_at_low_flow_is_a_laminar_tube(gauge: int, record_property) -> None:
    """Hagen-Poiseuille by fluids: the flow whose drop over the needle is 2 Pa."""
    needle = Needle(gauge)
    passed = needle.throughput(101325.0, 101323.0)
    density, mass = ambient.density(101325.0), flow.mass_flow(passed)
    drop = fluids.one_phase_dP(mass, density, ambient.viscosity(), needle.bore_mm * 1e-3, L=needle.length_mm * 1e-3)
    error = relative(drop, 2.0)
    record_property("error", float(error))
    assert error < 5e-3


@pytest.mark.parametrize("reynolds", [100.0, 2300.0, 4000.0, 1e4, 5e4])
def test_friction_factor_against_fluids(reynolds: float) -> None:
    reference = 64.0 / reynolds if reynolds <= 2300.0 else fluids.friction.Blasius(reynolds)
    assert relative(flow.friction_factor(reynolds), reference) < 1e-9


def fanno_mass_flow(needle: Needle, ratio: float) -> float:
    """Mass flow through a needle by integrating the Fanno equations along the tube, kg/s (textbook form of dM2/dx)."""
    k, r, total_t = 1.4, ambient.R_AIR, 293.15
    bore, area = needle.bore_mm * 1e-3, pi / 4 * (needle.bore_mm * 1e-3) ** 2

    def outlet(mach: float) -> tuple[float, float]:
        """(pressure ratio at the outlet, mass flow) for an inlet Mach number; ratio 0 when it chokes before the end."""
        stretch = 1 + 0.2 * mach**2
        pressure, kelvin = 101325.0 * stretch**-3.5, total_t / stretch
        mass = pressure / (r * kelvin) * mach * sqrt(k * r * kelvin) * area
        friction = flow.friction_factor(4 * mass / (pi * bore * ambient.viscosity()))
        length = needle.length_mm * 1e-3 + 0.5 * bore / friction

        def slope(_x: float, y: list[float]) -> list[float]:
            m2 = y[0]
            return [k * m2**2 * (1 + 0.2 * m2) / (1 - m2) * friction / bore]

        def chokes(_x: float, y: list[float]) -> float:
            return y[0] - 0.9995

        chokes.terminal = True
        run = solve_ivp(slope, (0, length), [mach**2], events=chokes, rtol=1e-6, atol=1e-9)
        if run.t_events[0].size:
            return 0.0, mass
        end = run.y[0, -1]
        return pressure / 101325.0 * sqrt(mach**2 * (1 + 0.2 * mach**2) / (end * (1 + 0.2 * end))), mass

    low, high = 1e-3, 0.95
    for _ in range(26):
        middle = 0.5 * (low + high)
        if outlet(middle)[0] > ratio:
            low = middle
        else:
            high = middle
    return outlet(low)[1]


@pytest.mark.parametrize("gauge", [14, 18, 20, 22, 25, 27, 30, 34])
def test_needle_against_flow_with_friction(gauge: int, record_property) -> None:
    """A needle's C is the choked Fanno flow; below that, inertia and laminar friction stay near the exact curve."""
    needle = Needle(gauge)

    def error(ratio: float) -> float:
        ours = flow.mass_flow(needle.throughput(101325.0, 101325.0 * ratio))
        return relative(ours, fanno_mass_flow(needle, ratio))

    choked = relative(flow.mass_flow(flow.throughput(needle.c, 0.3, 101325.0, 1e3)), fanno_mass_flow(needle, 0.01))
    record_property("error", float(choked))
    assert choked < 5e-3
    curve = max(error(ratio) for ratio in (0.2, 0.5, 0.8, 0.9))
    record_property("curve", float(curve))
    assert curve < 0.12


@pytest.mark.parametrize("gauge", [18, 20, 22, 25])
def test_needle_against_the_tube_formula(gauge: int) -> None:
    """C = 0.029 d2 / sqrt(L / d ** 1.25 + 510), SI units: pneumatic-drives textbooks, from memory."""
    bore = SIZES_MM[gauge][1] * 1e-3
    formula = 0.029 * bore**2 / sqrt(12.7e-3 / bore**1.25 + 510.0)
    assert relative(Needle(gauge).c, formula) < 0.15


def test_series_rule_against_solving_for_the_middle(record_property) -> None:
    """Two equal holes in series, choked: the pressure between them solved from the standard's equation."""
    worst = 0.0
    for second in (0.5, 1.0, 2.0):
        c1, c2 = 1e-9, second * 1e-9

        def gap(middle: float, c1: float = c1, c2: float = c2) -> float:
            return flow.throughput(c1, 0.5, 1e5, middle) - flow.throughput(c2, 0.5, middle, 1e3)

        middle = brentq(gap, 1.01e3, 1e5)
        worst = max(worst, relative(flow.series_c(c1, c2), flow.throughput(c1, 0.5, 1e5, middle) / 1e10))
    record_property("error", float(worst))
    assert worst < 0.12


def test_needle_outsides_against_another_gauge_table() -> None:
    """fluids' BWG tube gauge, which needle outsides follow within a few hundredths of a millimetre."""
    for gauge in (18, 21, 25, 27, 30):
        assert SIZES_MM[gauge][0] == pytest.approx(fluids.piping.t_from_gauge(gauge, schedule="BWG") * 1e3, abs=0.05)
