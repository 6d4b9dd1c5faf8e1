"""Physical constants and names that several parts share."""

ZERO_C_K = 273.15
STANDARD_PRESSURE_PA = 101325.0
GRAVITY_M_PER_S2 = 9.80665
SECONDS_PER_DAY = 86400.0
