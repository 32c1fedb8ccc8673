"""The share of a colour change that dye alone makes."""

import numpy as np
import pytest

from dyelight.colour import ciede2000
from dyelight.detect.dye_change import dye_share
from dyelight.records import F32


def _share(due: tuple[float, float, float], seen: tuple[float, float, float]) -> float:
    before: F32 = np.array([due], np.float32)
    after: F32 = np.array([seen], np.float32)
    return dye_share(after, before, float(ciede2000(after, before)[0]))


def test_a_pale_spot_on_yellow_is_all_dye() -> None:
    """Half the yellow gone hardly changes lightness, and is what less dye makes."""
    assert _share((92, -8, 80), (96, -4, 40)) == pytest.approx(1.0, abs=0.01)


def test_another_hue_is_not_dye() -> None:
    """A change across the line from base to black, lightness kept, is another hue."""
    assert _share((60, 40, 0), (60, 40, 12)) < 0.2


def test_on_grey_print_only_lightness_is_dye() -> None:
    """Grey print that turns reddish at the same lightness has lost no dye."""
    assert _share((50, 0, 0), (50, 8, 0)) < 0.05
    assert _share((50, 0, 0), (58, 0, 0)) == pytest.approx(1.0, abs=0.15)
