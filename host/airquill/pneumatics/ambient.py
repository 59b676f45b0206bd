"""Air around the tool: pressure by altitude and weather, density, viscosity.

Altitude here is geopotential, as in ISO 2533 (International Standard Atmosphere). Geometric altitude z is converted
by H = r z / (r + z) with r = 6356766 m; up to 4000 m the two differ by at most 2.6 m, or 0.03 % of the pressure.
"""

SEA_LEVEL_PA = 101325.0  # ISO 2533, table 1
SEA_LEVEL_K = 288.15  # ISO 2533
LAPSE_K_PER_M = 0.0065  # ISO 2533, troposphere
GRAVITY = 9.80665  # m/s2, standard
R_AIR = 287.05287  # J/(kg K), ISO 2533
EARTH_RADIUS_M = 6356766.0  # nominal, ISO 2533
ZERO_C = 273.15


def geopotential_m(geometric_m: float) -> float:
    """Geopotential altitude in m of a geometric altitude in m (ISO 2533)."""
    return EARTH_RADIUS_M * geometric_m / (EARTH_RADIUS_M + geometric_m)


def ambient_pa(altitude_m: float = 0.0, weather_pa: float = 0.0) -> float:
    """Ambient pressure in Pa at a geopotential altitude in m.

    p = p0 (1 - L H / T0) ** (g / (R L)), ISO 2533, valid from -2000 to 11000 m. `weather_pa` is how far the
    day's pressure, reduced to sea level, is from 101325 Pa; it scales with altitude as the pressure does (common
    practice, no source).
    Raises ValueError outside the valid range.
    """
    if not -2000.0 <= altitude_m <= 11000.0:
        raise ValueError("altitude %g m is outside the standard's first range, -2000 to 11000 m" % altitude_m)
    base = 1.0 - LAPSE_K_PER_M * altitude_m / SEA_LEVEL_K
    exponent: float = GRAVITY / (R_AIR * LAPSE_K_PER_M)
    return (SEA_LEVEL_PA + weather_pa) * float(base**exponent)


def density(pressure_pa: float, temp_c: float = 20.0) -> float:
    """Density of dry air in kg/m3, ideal gas: p / (R T)."""
    return pressure_pa / (R_AIR * (temp_c + ZERO_C))


def viscosity(temp_c: float = 20.0) -> float:
    """Dynamic viscosity of air in Pa s, Sutherland's formula with the constants of ISO 2533 (1.458e-6, 110.4 K).

    Valid from about -100 to 500 C; does not depend on pressure at the pressures met here.
    """
    kelvin = temp_c + ZERO_C
    return 1.458e-6 * float(kelvin**1.5) / (kelvin + 110.4)
