"""Reading ICC profiles without tables: three tone curves and a matrix, or one curve for grey.

Nearly every camera, phone and RGB artwork carries such a profile. Reading them here keeps 16-bit
files at 16 bit, which Pillow's colour transforms cannot. Source: ICC.1:2022, clauses 7 (header, tag
table), 9.2 (tags), 10.6 (curveType), 10.18 (parametricCurveType).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

import numpy as np

from ..records import F64

# parameters that follow the gamma in each function type of parametricCurveType
_PARAMETRIC_COUNT = {0: 1, 1: 3, 2: 4, 3: 5, 4: 7}
_D50 = np.array([0.9642, 1.0, 0.8249])  # ICC.1:2022, 7.2.16: the connection space's white
_BRADFORD = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)  # ICC.1:2022, annex E


class BrokenProfileError(Exception):
    """A profile that breaks its own format."""


def matrix_of_primaries(
    red: tuple[float, float],
    green: tuple[float, float],
    blue: tuple[float, float],
    white: tuple[float, float] = (0.3127, 0.3290),
) -> F64:
    """The 3 x 3 matrix from linear RGB to XYZ under D50, by Bradford, of chromaticities (x, y)."""

    def xyz(x: float, y: float) -> list[float]:
        return [x / y, 1.0, (1 - x - y) / y]

    primaries = np.array([xyz(*red), xyz(*green), xyz(*blue)]).T
    source_white = np.array(xyz(*white))
    native = primaries * np.linalg.solve(primaries, source_white)
    gains = (_BRADFORD @ _D50) / (_BRADFORD @ source_white)
    adapted: F64 = np.linalg.inv(_BRADFORD) @ np.diag(gains) @ _BRADFORD @ native
    return adapted


@dataclass(frozen=True, slots=True)
class Curve:
    """A tone curve from encoded to linear, both 0..1: a table or a parametric function."""

    table: tuple[float, ...] = ()
    parameters: tuple[float, ...] = ()
    function: int = 0

    def __call__(self, encoded: F64) -> F64:
        """Linear values, clipped to 0..1, of encoded values of any shape."""
        if self.table:
            positions = np.linspace(0, 1, len(self.table))
            return np.asarray(np.interp(encoded, positions, self.table), np.float64)
        if not self.parameters:
            return np.clip(encoded, 0, 1)
        g, a, b, c, d, e, f = (*self.parameters, *(0.0,) * 7)[:7]
        if self.function == 0:
            a, b, d, c, e, f = 1.0, 0.0, 0.0, 0.0, 0.0, 0.0
        elif self.function in (1, 2):
            # below -b/a the value is the constant c (zero in type 1), which also stands above it
            d, c, e, f = (-b / a if a else 0.0), 0.0, c, c
        curved = np.maximum(a * encoded + b, 0) ** g + e
        return np.clip(np.where(encoded >= d, curved, c * encoded + f), 0, 1)


SRGB_CURVE = Curve(parameters=(2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045), function=3)


@dataclass(frozen=True, slots=True)
class Profile:
    """What a profile says. `curves` and `matrix` are None where a table decides instead.

    `space` is the ICC signature: "RGB ", "GRAY", "CMYK" or another. `matrix` (3, 3) leads from
    linear RGB to XYZ under D50; a grey profile has one curve and no matrix.
    """

    name: str
    space: str
    curves: tuple[Curve, ...] | None
    matrix: F64 | None


def _tags(data: bytes) -> dict[bytes, bytes]:
    if len(data) < 132 or data[36:40] != b"acsp":
        raise BrokenProfileError("no ICC signature")
    (count,) = struct.unpack_from(">I", data, 128)
    if count > 200:
        raise BrokenProfileError("too many tags")
    tags = {}
    for index in range(count):
        try:
            signature, offset, size = struct.unpack_from(">4sII", data, 132 + 12 * index)
        except struct.error as error:
            raise BrokenProfileError("short tag table") from error
        if offset + size > len(data) or size < 8:
            raise BrokenProfileError(f"tag {signature!r} lies outside the profile")
        tags[signature] = data[offset : offset + size]
    return tags


def _s15_fixed16(data: bytes, offset: int, count: int) -> tuple[float, ...]:
    return tuple(value / 65536 for value in struct.unpack_from(f">{count}i", data, offset))


def _sound(parameters: tuple[float, ...]) -> tuple[float, ...]:
    if not 0 < parameters[0] < 20:
        raise BrokenProfileError(f"gamma {parameters[0]:g}")
    return parameters


def _curve(tag: bytes) -> Curve:
    if tag[:4] == b"curv":
        (count,) = struct.unpack_from(">I", tag, 8)
        values = struct.unpack_from(f">{count}H", tag, 12) if 12 + 2 * count <= len(tag) else None
        if values is None:
            raise BrokenProfileError("short curve")
        if count == 0:
            return Curve()
        if count == 1:
            return Curve(parameters=_sound((values[0] / 256,)))
        return Curve(table=tuple(value / 65535 for value in values))
    if tag[:4] == b"para":
        (function,) = struct.unpack_from(">H", tag, 8)
        if function not in _PARAMETRIC_COUNT:
            raise BrokenProfileError("unknown parametric curve")
        return Curve(
            parameters=_sound(_s15_fixed16(tag, 12, _PARAMETRIC_COUNT[function])),
            function=function,
        )
    raise BrokenProfileError("unknown curve type")


def _name(tag: bytes | None) -> str:
    text = ""
    if tag is not None and tag[:4] == b"desc" and len(tag) >= 12:
        (length,) = struct.unpack_from(">I", tag, 8)
        text = tag[12 : 12 + min(length, 200)].decode("ascii", "replace")
    elif tag is not None and tag[:4] == b"mluc" and len(tag) >= 28:
        length, offset = struct.unpack_from(">II", tag, 20)
        text = tag[offset : offset + min(length, 400)].decode("utf-16-be", "replace")
    clean = "".join(char for char in text if char.isprintable()).strip()
    return clean[:60] or "unnamed profile"


def read_profile(data: bytes) -> Profile:
    """What the ICC profile says; BrokenProfileError where it breaks its own format."""
    tags = _tags(data)
    space = data[16:20].decode("ascii", "replace")
    name = _name(tags.get(b"desc"))
    table_based = b"A2B0" in tags or b"A2B1" in tags or data[20:24] != b"XYZ "
    try:
        if space == "GRAY" and b"kTRC" in tags:
            return Profile(name, space, (_curve(tags[b"kTRC"]),), None)
        wanted = (b"rXYZ", b"gXYZ", b"bXYZ", b"rTRC", b"gTRC", b"bTRC")
        if space == "RGB " and not table_based and all(tag in tags for tag in wanted):
            matrix = np.array([_s15_fixed16(tags[tag], 8, 3) for tag in wanted[:3]]).T
            return Profile(name, space, tuple(_curve(tags[tag]) for tag in wanted[3:]), matrix)
    except struct.error as error:
        raise BrokenProfileError("short tag") from error
    return Profile(name, space, None, None)


SRGB_MATRIX = matrix_of_primaries((0.64, 0.33), (0.30, 0.60), (0.15, 0.06))  # IEC 61966-2-1
DISPLAY_P3 = Profile(
    "Display P3",
    "RGB ",
    (SRGB_CURVE,) * 3,
    matrix_of_primaries((0.680, 0.320), (0.265, 0.690), (0.150, 0.060)),  # SMPTE EG 432-1
)
DCF_OPTIONAL = Profile(
    "DCF optional colour space",
    "RGB ",
    (Curve(parameters=(563 / 256,)),) * 3,  # primaries and gamma from memory of DCF 2.0
    matrix_of_primaries((0.64, 0.33), (0.21, 0.71), (0.15, 0.06)),
)
