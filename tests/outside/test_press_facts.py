"""Temperatures and steam against published values."""

from __future__ import annotations

import pytest

from dyelight.press_log.steam import steam_pressure_mpa
from dyelight.press_log.units import from_si, to_si

# IAPWS-IF97, Table 35: kelvin and saturation pressure in MPa for checking programs
STEAM_CHECK = [(300.0, 0.353658941e-2), (500.0, 2.63889776), (600.0, 12.3443146)]
# the same formulation as a table: degrees C and MPa
STEAM_TABLE = [
    (100.0, 0.10142),
    (150.0, 0.47610),
    (180.0, 1.00263),
    (200.0, 1.55467),
    (204.0, 1.68906),
    (210.0, 1.90739),
    (220.0, 2.31929),
]
# fixed points of both scales (BIPM, The International System of Units, for t/°F = 9/5 t/°C + 32)
FIXED = [(0.0, 32.0), (100.0, 212.0), (-40.0, -40.0), (37.0, 98.6)]


@pytest.mark.parametrize(("celsius", "fahrenheit"), FIXED)
def test_degrees(celsius: float, fahrenheit: float) -> None:
    """Freezing, boiling, the point where both scales meet, and a body's warmth."""
    assert to_si(fahrenheit, "f", "temperature") == pytest.approx(celsius, abs=1e-9)
    assert from_si(celsius, "f", "temperature") == pytest.approx(fahrenheit, abs=1e-6)


def test_what_a_press_is_set_to() -> None:
    """400 °F is the 204 °C of the instructions, 180 to 210 °C are 356 to 410 °F."""
    assert to_si(400.0, "f", "temperature") == pytest.approx(204.444, abs=1e-3)
    assert from_si(180.0, "f", "temperature") == pytest.approx(356.0)
    assert from_si(210.0, "f", "temperature") == pytest.approx(410.0)


def test_lengths_and_pressures() -> None:
    """The inch is 25.4 mm and the psi 6.894757 kPa (NIST SP 811, Appendix B)."""
    assert to_si(10.0, "in", "length") == 254.0
    assert to_si(1.0, "psi", "pressure") == pytest.approx(6.894757, abs=1e-6)
    assert to_si(1.0, "bar", "pressure") == 100.0
    assert to_si(1.5, "min", "time") == 90.0


@pytest.mark.parametrize(("kelvin", "pressure_mpa"), STEAM_CHECK)
def test_the_steam_formula(kelvin: float, pressure_mpa: float) -> None:
    """The three values that the formulation gives for checking."""
    assert steam_pressure_mpa(kelvin - 273.15) == pytest.approx(pressure_mpa, rel=1e-8)


@pytest.mark.parametrize(("celsius", "pressure_mpa"), STEAM_TABLE)
def test_the_steam_table(celsius: float, pressure_mpa: float) -> None:
    """The table, to its last place."""
    assert steam_pressure_mpa(celsius) == pytest.approx(pressure_mpa, abs=6e-6)


@pytest.mark.parametrize("celsius", [-1.0, 371.0, float("nan")])
def test_steam_outside_its_line(celsius: float) -> None:
    """Where water has no saturation pressure none is made up."""
    with pytest.raises(ValueError, match="outside the saturation line"):
        steam_pressure_mpa(celsius)
