"""sRGB to and from linear light, CIELAB (D65), and the CIEDE2000 colour difference, all in float32.

Sources: IEC 61966-2-1 (sRGB transfer curve and primaries), CIE 15 (CIELAB), and Sharma, Wu, Dalal,
"The CIEDE2000 color-difference formula: implementation notes, supplementary test data, and
mathematical observations", Color Res. Appl. 30(1), 2005.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .records import F32, U8

# elements worked on at a time: temporaries of this many float32 stay inside the processor's cache
_CHUNK = 1 << 14


def _decode_curve(encoded: NDArray[np.float64]) -> F32:
    low = encoded / 12.92
    high = ((encoded + 0.055) / 1.055) ** 2.4
    return np.where(encoded <= 0.04045, low, high).astype(np.float32)


def _encode_curve(linear: NDArray[np.float64]) -> NDArray[np.float64]:
    low = linear * 12.92
    high = 1.055 * linear ** (1 / 2.4) - 0.055
    return np.where(linear <= 0.0031308, low, high)


_LINEAR_OF_8BIT = _decode_curve(np.arange(256) / 255)
_LINEAR_OF_16BIT = _decode_curve(np.arange(65536) / 65535)
# the curve is steepest at black, 3295 eight-bit levels per unit: a step of 1/65535 is 0.05 level
_8BIT_OF_LINEAR = np.rint(255 * _encode_curve(np.arange(65536) / 65535)).astype(np.uint8)


def decode_srgb(encoded: NDArray[Any]) -> F32:
    """Linear light, float32 in 0..1, of sRGB-encoded values.

    `encoded` is any shape: uint8 or uint16 over the type's whole range, or float in 0..1 (floats
    outside are clipped). IEC 61966-2-1.
    """
    if encoded.size == 0:
        return np.empty(encoded.shape, np.float32)
    if encoded.dtype == np.uint8:
        # one long row: OpenCV works row by row
        row = np.ascontiguousarray(encoded).reshape(1, -1)
        return np.asarray(cv2.LUT(row, _LINEAR_OF_8BIT), np.float32).reshape(encoded.shape)
    if encoded.dtype == np.uint16:
        linear = np.empty(encoded.shape, np.float32)
        source, target = np.ascontiguousarray(encoded).reshape(-1), linear.reshape(-1)
        # np.take widens its indices to 64 bit: in chunks that costs no memory
        for start in range(0, source.size, 16 * _CHUNK):
            part = slice(start, start + 16 * _CHUNK)
            np.take(_LINEAR_OF_16BIT, source[part], out=target[part], mode="clip")
        return linear
    if encoded.dtype.kind != "f":
        raise TypeError(f"decode_srgb takes uint8, uint16 or float, not {encoded.dtype}")
    value = np.clip(encoded, 0, 1).astype(np.float32)
    high = cv2.pow((value.reshape(-1) + np.float32(0.055)) / np.float32(1.055), 2.4)
    return np.where(
        value <= np.float32(0.04045),
        value / np.float32(12.92),
        np.asarray(high, np.float32).reshape(value.shape),
    )


def encode_srgb(linear: F32) -> F32:
    """sRGB-encoded values, float32 in 0..1, of linear light of any shape (clipped to 0..1)."""
    encoded = np.empty(linear.shape, np.float32)
    source, target = np.ascontiguousarray(linear, np.float32).reshape(-1), encoded.reshape(-1)
    for start in range(0, source.size, _CHUNK):
        part = slice(start, start + _CHUNK)
        value = np.clip(source[part], 0, 1)
        high = np.asarray(cv2.pow(value[None], 1 / 2.4), np.float32)[0]
        target[part] = np.where(
            value <= np.float32(0.0031308),
            value * np.float32(12.92),
            high * np.float32(1.055) - np.float32(0.055),
        )
    return encoded


def encode_srgb_u8(linear: F32) -> U8:
    """sRGB-encoded uint8 of linear light of any shape (clipped to 0..1)."""
    encoded = np.empty(linear.shape, np.uint8)
    source, target = np.ascontiguousarray(linear).reshape(-1), encoded.reshape(-1)
    for start in range(0, source.size, 16 * _CHUNK):
        part = slice(start, start + 16 * _CHUNK)
        index = np.clip(source[part], 0, 1) * np.float32(65535) + np.float32(0.5)
        np.take(_8BIT_OF_LINEAR, index.astype(np.uint16), out=target[part], mode="clip")
    return encoded


def lab_from_linear(linear: F32) -> F32:
    """CIELAB (D65, 2 degree observer), float32 (..., 3), of linear sRGB light (..., 3).

    Light is clipped to 0..1. Within 0.01 in L and 0.03 in a and b of the closed formula.
    """
    # OpenCV's COLOR_RGB2Lab decodes the curve coarsely and errs by 0.5; on linear light it does not
    if linear.size == 0:
        return np.empty(linear.shape, np.float32)
    shape = linear.shape if linear.ndim == 3 else (1, -1, 3)
    plane = np.ascontiguousarray(linear, np.float32).reshape(shape)
    lab = cv2.cvtColor(plane, cv2.COLOR_LRGB2Lab)
    return np.asarray(lab, np.float32).reshape(linear.shape)


def lab_from_encoded(encoded: NDArray[Any]) -> F32:
    """CIELAB (D65), float32 (..., 3), of sRGB-encoded uint8, uint16 or float pixels (..., 3)."""
    return lab_from_linear(decode_srgb(encoded))


def _chroma_ratio(chroma: F32) -> F32:
    """sqrt(C^7 / (C^7 + 25^7))."""
    seventh = chroma * chroma
    seventh = seventh * seventh * seventh * chroma
    return np.asarray(np.sqrt(seventh / (seventh + np.float32(25.0**7))), np.float32)


def _ciede2000_chunk(lab1: F32, lab2: F32) -> F32:
    L1, a1, b1 = np.ascontiguousarray(lab1.T)
    L2, a2, b2 = np.ascontiguousarray(lab2.T)
    f = np.float32
    stretch = f(1.5) - f(0.5) * _chroma_ratio(f(0.5) * (np.hypot(a1, b1) + np.hypot(a2, b2)))
    a1 = a1 * stretch
    a2 = a2 * stretch
    C1, C2 = np.sqrt(a1 * a1 + b1 * b1), np.sqrt(a2 * a2 + b2 * b2)
    both = C1 * C2
    dot = a1 * a2 + b1 * b2
    cross = a1 * b2 - a2 * b1
    obtuse = dot < 0

    # 2 sqrt(C1 C2) sin(dh/2), from the half-angle formulas: no angle has to be found, and each
    # branch adds numbers of one sign, so that nothing is lost in float32
    half = np.sqrt(np.maximum(f(0.5) * (both + np.abs(dot)), f(1e-30)))
    dH = np.where(obtuse, np.copysign(f(2) * half, cross), cross / half)

    # the mean hue as a direction (cos h, sin h): the bisector of both hues. Two opposite hues have
    # two bisectors; the published rule takes the one between 90 and 270 degrees
    i1, i2 = f(1) / np.maximum(C1, f(1e-20)), f(1) / np.maximum(C2, f(1e-20))
    x1, y1, x2, y2 = a1 * i1, b1 * i1, a2 * i2, b2 * i2
    first_is_lower = (y1 > 0) | ((y1 == 0) & (x1 > 0))
    side = np.where(cross == 0, np.where(first_is_lower, f(1), f(-1)), np.sign(cross))
    cosh = np.where(obtuse, side * (y2 - y1), x1 + x2)
    sinh = np.where(obtuse, side * (x1 - x2), y1 + y2)
    length = np.hypot(cosh, sinh)
    grey = length < f(1e-12)
    length[grey] = 1
    cosh[grey] = 1  # hue 0, as the published notes set it where both chromas are zero
    cosh /= length
    sinh /= length

    # multiple angles by the addition theorems
    cos2, sin2 = cosh * cosh - sinh * sinh, f(2) * sinh * cosh
    cos3, sin3 = cos2 * cosh - sin2 * sinh, sin2 * cosh + cos2 * sinh
    cos4, sin4 = cos2 * cos2 - sin2 * sin2, f(2) * sin2 * cos2

    def turned(cos: F32, sin: F32, degrees: float) -> F32:
        angle = np.deg2rad(degrees)
        result: F32 = cos * f(np.cos(angle)) + sin * f(np.sin(angle))
        return result

    T = (
        f(1)
        - f(0.17) * turned(cosh, sinh, 30)
        + f(0.24) * cos2
        + f(0.32) * turned(cos3, sin3, -6)
        - f(0.20) * turned(cos4, sin4, 63)
    )
    # hue counted from 275 degrees; it lies within -275..85 in the published form, but beyond -180
    # the Gaussian is zero in float32 anyway
    from275 = np.arctan2(turned(sinh, -cosh, 275), turned(cosh, sinh, 275))
    steps = from275 * f(180 / np.pi / 25)
    twice_theta = f(np.pi / 3) * np.exp(-steps * steps)
    C = f(0.5) * (C1 + C2)
    RT = f(-2) * _chroma_ratio(C) * np.sin(twice_theta)

    from50 = f(0.5) * (L1 + L2) - f(50)
    from50 *= from50
    dL = (L2 - L1) / (f(1) + f(0.015) * from50 / np.sqrt(f(20) + from50))
    dC = (C2 - C1) / (f(1) + f(0.045) * C)
    dH /= f(1) + f(0.015) * C * T
    result: F32 = np.sqrt(np.maximum(dL * dL + dC * dC + dH * dH + RT * dC * dH, f(0)))
    return result


def ciede2000(lab1: NDArray[Any], lab2: NDArray[Any]) -> F32:
    """CIEDE2000 colour difference, kL = kC = kH = 1, float32 (...).

    `lab1` and `lab2` are CIELAB values (..., 3) that broadcast against each other, so that an image
    can be held against one colour. Sharma, Wu, Dalal 2005.
    """
    shape = np.broadcast_shapes(lab1.shape, lab2.shape)
    first = np.broadcast_to(np.asarray(lab1, np.float32), shape)
    second = np.broadcast_to(np.asarray(lab2, np.float32), shape)
    result = np.empty(shape[:-1], np.float32)
    if len(shape) > 1 and result.size > _CHUNK:
        # by row, since a reshape of a broadcast view would copy it whole
        rows = max(1, _CHUNK // max(1, result[0].size))
        for start in range(0, shape[0], rows):
            part = slice(start, start + rows)
            result[part] = _ciede2000_chunk(
                first[part].reshape(-1, 3), second[part].reshape(-1, 3)
            ).reshape(result[part].shape)
        return result
    result[...] = _ciede2000_chunk(first.reshape(-1, 3), second.reshape(-1, 3)).reshape(shape[:-1])
    return result


def delta_e00_map(linear1: F32, linear2: F32) -> F32:
    """CIEDE2000 between two images in linear sRGB light, both float32 (H, W, 3); float32 (H, W).

    Goes through CIELAB a band of rows at a time: no CIELAB image is ever held whole.
    """
    if linear1.shape != linear2.shape or linear1.ndim != 3 or linear1.shape[2] != 3:
        raise ValueError(f"two (H, W, 3) images wanted, not {linear1.shape} and {linear2.shape}")
    height, width = linear1.shape[:2]
    result = np.empty((height, width), np.float32)
    rows = max(1, _CHUNK // max(1, width))
    for start in range(0, height, rows):
        part = slice(start, start + rows)
        lab1, lab2 = lab_from_linear(linear1[part]), lab_from_linear(linear2[part])
        result[part] = _ciede2000_chunk(lab1.reshape(-1, 3), lab2.reshape(-1, 3)).reshape(-1, width)
    return result
