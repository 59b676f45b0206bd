"""Flow elements: ISO 6358 (C, b), orifices and needles from geometry, laminar hoses and filters.

Flow is kept as throughput, pressure times volume flow, in Pa m3/s: at one temperature it is mass flow times R T, and a
volume V obeys V dp/dt = sum of throughputs. Every element also has a secant conductance, throughput over pressure
difference, in m3/s and never negative: this is what the integrator works with.

C is in m3/(s Pa) of reference air; valve data sheets give dm3/(s bar), which is C_UNIT times that.
"""

from math import log, pi, sqrt

from .ambient import R_AIR, ZERO_C, viscosity

ANR_PA = 100000.0  # reference atmosphere of ISO 6358 and ISO 8778
ANR_K = 293.15
ANR_DENSITY = 1.185  # kg/m3 at 65 % humidity, ISO 8778
KAPPA = 1.4  # heat capacity ratio of air
ORIFICE_B = 0.5283  # critical ratio of a frictionless nozzle, (2 / (k + 1)) ** (k / (k - 1)) at k = 1.4
C_UNIT = 1e-8
LINEAR_RATIO = 0.999  # at pressure ratios nearer to 1 the integrator uses a straight line through zero
LAMINAR_RE = 2300.0
TURBULENT_RE = 4000.0


def lpm(throughput: float, temp_c: float = 20.0) -> float:
    """Litres a minute of reference air (100 kPa, 20 C) of a throughput in Pa m3/s at a gas temperature."""
    return throughput * 60000.0 / ANR_PA * ANR_K / (temp_c + ZERO_C)


def mass_flow(throughput: float, temp_c: float = 20.0) -> float:
    """Mass flow in kg/s of dry air of a throughput in Pa m3/s at a gas temperature: W / (R T)."""
    return throughput / (R_AIR * (temp_c + ZERO_C))


def phi(ratio: float, b: float) -> float:
    """Share of the choked flow at a pressure ratio downstream / upstream: 1 up to b, then a quarter ellipse to 0.

    sqrt(1 - ((r - b) / (1 - b)) ** 2), ISO 6358-1, equation for subsonic flow. Valid for 0 <= r <= 1, 0 <= b < 1.
    """
    if ratio <= b:
        return 1.0
    x = (ratio - b) / (1.0 - b)
    return sqrt(1.0 - x * x) if x < 1.0 else 0.0


def throughput(c: float, b: float, upstream_pa: float, downstream_pa: float, temp_c: float = 20.0) -> float:
    """Throughput in Pa m3/s through an ISO 6358 element; negative when `downstream_pa` is the higher pressure.

    W = C p1 p0 sqrt(T / T0) phi(p2 / p1), ISO 6358-1, with p0 = 100 kPa, T0 = 293.15 K and T the upstream temperature.
    """
    if downstream_pa > upstream_pa:
        return -throughput(c, b, downstream_pa, upstream_pa, temp_c)
    return throughput_scale(c, temp_c) * upstream_pa * phi(downstream_pa / upstream_pa, b)


def throughput_scale(c: float, temp_c: float = 20.0) -> float:
    """Choked throughput per Pa of upstream pressure, m3/s: C p0 sqrt(T / T0)."""
    return c * ANR_PA * sqrt((temp_c + ZERO_C) / ANR_K)


def linear_end(b: float) -> float:
    """Secant conductance over throughput_scale at LINEAR_RATIO: the slope of the straight line near zero."""
    return phi(LINEAR_RATIO, b) / (1.0 - LINEAR_RATIO)


def orifice_c(bore_mm: float, discharge: float = 1.0, temp_c: float = 20.0) -> float:
    """Sonic conductance C in m3/(s Pa) of a round hole of a bore in mm with a discharge coefficient.

    Choked isentropic mass flow of an ideal gas, m = Cd A p1 sqrt(k / (R T)) (2 / (k + 1)) ** ((k + 1) / (2 (k - 1))),
    over p1 and the reference density p0 / (R T0); any textbook on gas dynamics. b is ORIFICE_B.
    """
    area = pi / 4.0 * (bore_mm * 1e-3) ** 2
    kelvin = temp_c + ZERO_C
    power = (KAPPA + 1.0) / (2.0 * (KAPPA - 1.0))
    choked = sqrt(KAPPA / (R_AIR * kelvin)) * float((2.0 / (KAPPA + 1.0)) ** power)
    return discharge * area * choked * R_AIR * ANR_K / ANR_PA * sqrt(kelvin / ANR_K)


def series_c(c1: float, c2: float) -> float:
    """Sonic conductance of two elements one after the other: C = (C1 ** -2 + C2 ** -2) ** -1/2.

    Common practice, no source; choked, within 12 % of solving for the pressure between them (a test measures it).
    """
    if c1 <= 0.0 or c2 <= 0.0:
        return 0.0
    low, high = min(c1, c2), max(c1, c2)
    return low / sqrt(1.0 + (low / high) * (low / high))


def friction_factor(reynolds: float) -> float:
    """Darcy friction factor of a smooth round tube: 64 / Re up to 2300, 0.3164 Re ** -0.25 (Blasius) from 4000.

    Between them a straight line. Blasius holds up to about Re 1e5.
    """
    if reynolds <= LAMINAR_RE:
        return 64.0 / reynolds
    if reynolds >= TURBULENT_RE:
        return 0.3164 / float(reynolds**0.25)
    share = (reynolds - LAMINAR_RE) / (TURBULENT_RE - LAMINAR_RE)
    return (1.0 - share) * 64.0 / LAMINAR_RE + share * 0.3164 / float(TURBULENT_RE**0.25)


def reynolds(flow: float, bore_mm: float, temp_c: float = 20.0) -> float:
    """Reynolds number of a throughput in Pa m3/s in a round bore: 4 m / (pi d eta)."""
    return 4.0 * abs(mass_flow(flow, temp_c)) / (pi * bore_mm * 1e-3 * viscosity(temp_c))


def laminar_resistance(bore_mm: float, length_mm: float, temp_c: float = 20.0) -> float:
    """128 eta L / (pi d4) in Pa s/m3 (Hagen-Poiseuille); laminar throughput is (p1 ** 2 - p2 ** 2) / 2 over it.

    Isothermal gas in a long tube: the volume flow is taken at the mean pressure. Valid below Re 2300 and where
    L > 0.06 Re d, the entrance length; textbook.
    """
    return 128.0 * viscosity(temp_c) * length_mm * 1e-3 / (pi * (bore_mm * 1e-3) ** 4)


def _fanno(mach: float) -> float:
    """4 f L* / D of Fanno flow from a Mach number to the choked end (k = 1.4); gas dynamics textbooks."""
    square = mach * mach
    grown = (KAPPA + 1.0) * square / (2.0 + (KAPPA - 1.0) * square)
    return (1.0 - square) / (KAPPA * square) + (KAPPA + 1.0) / (2.0 * KAPPA) * log(grown)


def tube_c(
    bore_mm: float,
    length_mm: float,
    entry_loss: float = 0.5,
    temp_c: float = 20.0,
    ambient_pa: float = 101325.0,
) -> float:
    """Sonic conductance C of a short tube such as a needle: adiabatic flow with friction (Fanno), choked at its end.

    The friction factor is that of the choked flow at `ambient_pa`; `entry_loss`, in dynamic pressures, counts as
    friction length (0.5 for a sharp edge, textbook). Valid for length / bore up to about 200.
    """
    hole = orifice_c(bore_mm, 1.0, temp_c)
    power = (KAPPA + 1.0) / (2.0 * (KAPPA - 1.0))
    share, mach, stretch = 0.7, 0.5, 1.0
    for _ in range(30):
        flow = throughput_scale(hole * share, temp_c) * ambient_pa
        resistance = friction_factor(reynolds(flow, bore_mm, temp_c)) * length_mm / bore_mm + entry_loss
        low, high = 1e-3, 1.0
        for _ in range(50):
            mach = 0.5 * (low + high)
            if _fanno(mach) > resistance:
                low = mach
            else:
                high = mach
        stretch = 1.0 + 0.5 * (KAPPA - 1.0) * mach * mach
        new = mach * float((stretch / (0.5 * (KAPPA + 1.0))) ** (-power))
        if abs(new - share) < 1e-12:
            break
        share = 0.5 * (share + new)
    return hole * share


def inertia_c(c: float, resistance: float, temp_c: float = 20.0, ambient_pa: float = 101325.0) -> float:
    """C of the part of a tube that is not laminar friction, so that the whole (see `with_friction`) chokes at `c`."""
    choked = throughput_scale(c, temp_c) * ambient_pa
    laminar = 0.5 * ambient_pa * ambient_pa / resistance
    return c / sqrt(max(1.0 - choked / laminar, 0.01))


def with_friction(g_inertia: float, g_laminar: float) -> float:
    """Secant conductance of an inertial and a laminar loss in one tube: W / W_laminar + (W / W_inertia) ** 2 = 1.

    Exact for incompressible flow, where the two pressure losses add; against Fanno flow in needles it is within 10 %,
    and tends to Hagen-Poiseuille at low flow (tests measure both).
    """
    if g_inertia <= 0.0 or g_laminar <= 0.0:
        return 0.0
    laminar = 1.0 / g_laminar
    return 2.0 / (laminar + sqrt(laminar * laminar + 4.0 / (g_inertia * g_inertia)))
