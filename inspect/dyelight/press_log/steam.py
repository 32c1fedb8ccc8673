"""The pressure of steam over hot water: what a damp stack builds up in a press."""

from __future__ import annotations

import math

# IAPWS Industrial Formulation 1997, saturation line, equation 30 and its coefficients
_N = (
    0.11670521452767e4,
    -0.72421316703206e6,
    -0.17073846940092e2,
    0.12020824702470e5,
    -0.32325550322333e7,
    0.14915108613530e2,
    -0.48232657361591e4,
    0.40511340542057e6,
    -0.23855557567849,
    0.65017534844798e3,
)


def steam_pressure_mpa(temperature_c: float) -> float:
    """Saturation pressure of water in MPa, for 0 to 370 degrees C (IAPWS-IF97, equation 30).

    Raises ValueError outside that range.
    """
    if not 0.0 <= temperature_c <= 370.0:
        raise ValueError(f"{temperature_c:g} °C lies outside the saturation line.")
    kelvin = temperature_c + 273.15
    turned = kelvin + _N[8] / (kelvin - _N[9])
    a = turned**2 + _N[0] * turned + _N[1]
    b = _N[2] * turned**2 + _N[3] * turned + _N[4]
    c = _N[5] * turned**2 + _N[6] * turned + _N[7]
    return float((2 * c / (-b + math.sqrt(b**2 - 4 * a * c))) ** 4)
