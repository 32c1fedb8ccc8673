"""A simulated year of pressings with planted causes, and innocent factors that travel with them.

Planted: worn vent fabrics and damp days (vapour spots), one press hotter than it says (coating
lift), one dusty corner of one platen (dust specks). Every other defect comes at an even rate from
the other causes of the map. All of it is simulated; nothing here was measured in a shop.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from dyelight.causes import CauseMap
from dyelight.causes.learned import kind_shares
from dyelight.press_log import Columns, LoggedFinding
from dyelight.records import F64, Kind

PRESSES = ("Anvil", "Birch", "Cedar")
OPERATORS = ("Ines", "Jonas", "Kirsi", "Leo")
SIZES = ((254.0, 203.0), (305.0, 203.0), (406.0, 305.0), (610.0, 406.0))
EVEN_RATES: Mapping[Kind, float] = {
    "vapour_spot": 0.010,
    "dust_speck": 0.020,
    "coating_lift": 0.003,
    "ghosting": 0.012,
    "off_colour": 0.006,
    "fibre": 0.008,
    "scratch": 0.006,
}
HOT, DUSTY = "Birch", "Cedar"
CORNER_MM = 150.0
# which factor is truly behind which kind; every other one is innocent
GUILTY: Mapping[str, frozenset[str]] = {
    "vapour_spot": frozenset({"fabric_use", "room_humidity_pct"}),
    "coating_lift": frozenset({"press", "true_over_set_c"}),
    "dust_speck": frozenset({"platen_place", "press"}),
}


@dataclass(frozen=True, slots=True)
class Truth:
    """Why one panel has a defect; `planted` where the cause is one of the four."""

    kind: Kind
    cause: str
    planted: bool
    chances: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Year:
    """The log's columns, the truth by panel row number, and the correlations that were reached."""

    columns: Columns
    truth: Mapping[int, tuple[Truth, ...]]
    correlations: Mapping[str, float]


def _travelling(
    rng: np.random.Generator, guilty: NDArray[np.bool_], phi: float
) -> NDArray[np.bool_]:
    """An innocent yes or no, as frequent as the guilty one, correlated with it by phi."""
    share = guilty.mean()
    chance = np.where(guilty, share + phi * (1 - share), share * (1 - phi))
    return np.asarray(rng.random(len(guilty)) < chance, np.bool_)


def _noisy(rng: np.random.Generator, guilty: F64, correlation: float) -> F64:
    """An innocent number with mean 0 and scatter 1, correlated with the guilty one."""
    scaled = (guilty - guilty.mean()) / guilty.std()
    own = rng.standard_normal(len(guilty))
    return np.asarray(correlation * scaled + np.sqrt(1 - correlation**2) * own, np.float64)


def simulate_year(
    seed: int, cause_map: CauseMap, pressings: int = 5000, correlation: float = 0.6
) -> Year:
    """Simulate a year; the same seed gives the same year."""
    rng = np.random.default_rng(seed)
    count = pressings
    day = np.arange(count) * 250 // count
    start = datetime(2025, 1, 6, 6, tzinfo=UTC)
    within = rng.integers(0, 12 * 60, count)
    order = np.lexsort((within, day))
    day, within = day[order], within[order]
    at = [
        start + timedelta(days=int(d), minutes=int(m), seconds=number % 60)
        for number, (d, m) in enumerate(zip(day, within, strict=True))
    ]
    press = rng.choice(3, count, p=(0.45, 0.3, 0.25))
    size = rng.choice(4, count, p=(0.3, 0.3, 0.25, 0.15))
    # the room: a slow wave over days, with the season in it
    slow = np.zeros(250)
    for number in range(1, 250):
        slow[number] = 0.8 * slow[number - 1] + rng.normal(0, 4.5)
    humidity = 50 + 5 * np.sin(2 * np.pi * np.arange(250) / 250) + slow
    humid = np.clip(humidity[day] + rng.normal(0, 2.0, count), 15, 95).round(0)
    fabric, use = _fabrics(rng, size)
    worn = np.clip((use - 260) / 180, 0, 1)
    damp = np.clip((humid - 59) / 10, 0, 1)
    is_worn, is_damp, is_hot = worn > 0.15, damp > 0.15, press == PRESSES.index(HOT)
    over = np.where(is_hot, 7.0, 0.5) + rng.normal(0, 1.0, count)

    swap = _travelling(rng, is_hot, correlation)
    operator = np.where(swap, 0, rng.integers(1, 4, count))
    damp_lot = _travelling(rng, is_damp, correlation)
    worn_lot = _travelling(rng, is_worn, correlation)
    room_c = (21 + 2.0 * _noisy(rng, humid, correlation)).round(1)
    pressure = (280 + 15 * _noisy(rng, use.astype(np.float64), correlation)).round(0)
    dusty_lot = _travelling(rng, press == PRESSES.index(DUSTY), correlation)
    set_c = rng.choice([202.0, 204.0, 205.0], count)
    dwell = np.array([60.0, 65.0, 75.0, 90.0])[size] + rng.choice([-5.0, 0.0, 5.0], count)
    drying = rng.choice([0.0, 5.0, 8.0, 10.0, 12.0], count, p=(0.1, 0.2, 0.2, 0.3, 0.2))

    wide, high = np.array(SIZES)[size].T
    x_mm = (wide / 2 + rng.choice([10.0, 120.0, 240.0], count)).round(0)
    y_mm = (high / 2 + rng.choice([10.0, 110.0], count)).round(0)
    turns = rng.integers(0, 2, count) * 2
    in_corner = np.maximum(CORNER_MM - (x_mm - wide / 2), 0) * np.maximum(
        CORNER_MM - (y_mm - high / 2), 0
    )
    planted = {
        ("vapour_spot", "vent_fabric"): 0.35 * worn,
        ("vapour_spot", "damp_room"): 0.30 * damp,
        ("coating_lift", "platen_hotter_than_set"): np.where(is_hot, 0.07, 0.0),
        ("dust_speck", "dirt_on_platen"): np.where(
            press == PRESSES.index(DUSTY), 0.45 * in_corner / CORNER_MM**2, 0.0
        ),
    }
    findings, truth = _strike(rng, planted, cause_map, (wide, high, x_mm, y_mm, turns))
    looked = ["remake" if row in findings else "pass" for row in range(1, count + 1)]

    def words(numbers: NDArray[np.int64], names: tuple[str, ...]) -> list[str]:
        return [names[number] for number in numbers]

    none: list[None] = [None] * count
    values = {
        "panel_row": list(range(1, count + 1)),
        "inspection_row": list(range(1, count + 1)),
        "pressing": [f"Y{number:06d}" for number in range(1, count + 1)],
        "panel": [f"K{number:06d}" for number in range(1, count + 1)],
        "at": at,
        "press": words(press, PRESSES),
        "set_c": set_c.tolist(),
        "true_c": (set_c + over).round(1).tolist(),
        "dwell_s": dwell.tolist(),
        "pressure_kpa": pressure.tolist(),
        "drying_s": drying.tolist(),
        "cleaned": (rng.random(count) < 0.5).tolist(),
        "stack": [""] * count,
        "back_print": (rng.random(count) < 0.3).tolist(),
        "operator": words(operator, OPERATORS),
        "room_c": room_c.tolist(),
        "room_humidity_pct": humid.tolist(),
        "job": [""] * count,
        "fabric": fabric,
        "fabric_use": use.tolist(),
        "fabric_limit": none,
        "transfer_paper": ["hard"] * count,
        "transfer_paper_lot": [f"T{1 + int(d) // 90}" for d in day],
        "ink": ["four"] * count,
        "ink_lot": [f"I{1 + int(d) // 60}" for d in day],
        "cover_paper": ["plain"] * count,
        "cover_paper_lot": np.where(damp_lot, "C2", "C1").tolist(),
        "width_mm": wide.tolist(),
        "height_mm": high.tolist(),
        "base": np.where(rng.random(count) < 0.8, "white", "clear").tolist(),
        "finish": ["gloss"] * count,
        "lot": np.where(worn_lot, "L2", np.where(dusty_lot, "L3", "L1")).tolist(),
        "x_mm": x_mm.tolist(),
        "y_mm": y_mm.tolist(),
        "quarter_turns": turns.tolist(),
        "face_up": [True] * count,
        "verdict": looked,
        "probe_over_set_c": none,
    }
    correlations = {
        "operator with the hot press": float(np.corrcoef(swap, is_hot)[0, 1]),
        "cover paper lot with damp days": float(np.corrcoef(damp_lot, is_damp)[0, 1]),
        "panel lot with worn fabrics": float(np.corrcoef(worn_lot, is_worn)[0, 1]),
        "room temperature with humidity": float(np.corrcoef(room_c, humid)[0, 1]),
        "pressure with fabric uses": float(np.corrcoef(pressure, use)[0, 1]),
    }
    return Year(Columns(values, findings), truth, correlations)


def _fabrics(
    rng: np.random.Generator, size: NDArray[np.int64]
) -> tuple[list[str], NDArray[np.int64]]:
    """A fabric for each panel size, thrown away after some 200 to 450 uses."""
    names, uses = [], np.zeros(len(size), dtype=np.int64)
    number, used = dict.fromkeys(range(4), 1), dict.fromkeys(range(4), 0)
    life = {kind: int(rng.integers(200, 450)) for kind in range(4)}
    for index, kind in enumerate(size.tolist()):
        used[kind] += 1
        if used[kind] > life[kind]:
            number[kind], used[kind], life[kind] = (
                number[kind] + 1,
                1,
                int(rng.integers(200, 450)),
            )
        names.append(f"F{kind + 1}-{number[kind]}")
        uses[index] = used[kind]
    return names, uses


def _strike(
    rng: np.random.Generator,
    planted: Mapping[tuple[str, str], F64],
    cause_map: CauseMap,
    lies: tuple[F64, F64, F64, F64, NDArray[np.int64]],
) -> tuple[dict[int, tuple[LoggedFinding, ...]], dict[int, tuple[Truth, ...]]]:
    """Let every cause strike each panel by itself, by its rate."""
    count = len(lies[0])
    findings: dict[int, list[LoggedFinding]] = {}
    truth: dict[int, list[Truth]] = {}
    for kind, even in EVEN_RATES.items():
        shares = kind_shares(kind, cause_map)
        shares["something_else"] = 1 - sum(shares.values())
        rates = {cause: np.full(count, even * share) for cause, share in shares.items()}
        for (struck, cause), rate in planted.items():
            if struck == kind:
                rates[cause] = rates[cause] + rate
        names = list(rates)
        table = np.stack([rates[cause] for cause in names])
        whole = table.sum(axis=0)
        hit = np.flatnonzero(rng.random(count) < -np.expm1(-whole))
        for index in hit.tolist():
            chances = table[:, index] / whole[index]
            cause = names[int(rng.choice(len(names), p=chances))]
            extra = planted.get((kind, cause))
            by_plant = extra is not None and rng.random() < extra[index] / rates[cause][index]
            x, y = _place(rng, index, lies, by_plant and cause == "dirt_on_platen")
            row = index + 1
            code = f"f{len(findings.get(row, ())) + 1}"
            findings.setdefault(row, []).append(LoggedFinding(code, kind, x, y))
            truth.setdefault(row, []).append(
                Truth(kind, cause, by_plant, dict(zip(names, chances.tolist(), strict=True)))
            )
    return (
        {row: tuple(items) for row, items in findings.items()},
        {row: tuple(items) for row, items in truth.items()},
    )


def _place(
    rng: np.random.Generator,
    index: int,
    lies: tuple[F64, F64, F64, F64, NDArray[np.int64]],
    corner: bool,
) -> tuple[float, float]:
    """Where on the panel a mark lies, in mm: in the dusty corner, or anywhere."""
    wide, high, x_mm, y_mm, turns = (float(part[index]) for part in lies)
    if not corner:
        return float(rng.uniform(0, wide)), float(rng.uniform(0, high))
    left, back = x_mm - wide / 2, y_mm - high / 2
    across, down = rng.uniform(left, CORNER_MM) - x_mm, rng.uniform(back, CORNER_MM) - y_mm
    if turns:
        across, down = -across, -down
    return across + wide / 2, down + high / 2
