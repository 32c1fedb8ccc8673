"""From scene light to a JPEG: light field, reflections, noise, white balance, tone, sharpening."""

from __future__ import annotations

import io
from dataclasses import dataclass

import cv2
import numpy as np
from PIL import Image

from ..records import F32, F64, U8
from .captures import CaptureSpec
from .fields import blob_outline, blur, filled, resize, spread, stream

_LOW = 8
_STRIP = 128
_GREY = np.array([0.25, 0.6, 0.15], np.float32)


@dataclass(frozen=True, slots=True)
class Camera:
    """The drawn properties of one shot. Blurs in pixels of this photo."""

    lens_blur_px: float
    defocus_px: float
    defocus_slope: F64
    shake_px: F64
    white_level: float
    full_well_e: float
    read_noise_e: float
    chroma_denoise_px: float
    cast: F32
    tone: float
    sharpen: float
    sharpen_radius_px: float
    jpeg_quality: int

    @property
    def blur_px(self) -> float:
        """Standard deviation of lens and defocus together, shake and pixel left out."""
        return float(np.hypot(self.lens_blur_px, self.defocus_px))

    def variance(self, signal: F32) -> F32:
        """Noise variance of raw `signal` (1 = full scale): photons, read-out, 16-bit steps."""
        well = np.float32(self.full_well_e)
        read = np.float32((self.read_noise_e / self.full_well_e) ** 2 + 1 / (12 * 65535**2))
        return np.asarray(np.maximum(signal, 0) / well + read, np.float32)


def draw_camera(rng: np.random.Generator, spec: CaptureSpec, scale: float) -> Camera:
    """A random shot of a capture; `scale` is the photo's width over the capture's own."""
    shake = float(rng.uniform(*spec.shake_px)) * scale
    direction = float(rng.uniform(0, np.pi))
    amount = float(rng.uniform(*spec.cast))
    warm = float(rng.choice([1, 1, -1]))
    cast = np.array([1 + warm * amount, 1 + 0.3 * amount * rng.normal(), 1 - warm * amount])
    slope_way = float(rng.uniform(0, 2 * np.pi))
    slope = float(rng.uniform(*spec.defocus_slope))
    return Camera(
        lens_blur_px=float(rng.uniform(*spec.lens_blur_px)),
        defocus_px=float(rng.uniform(*spec.defocus_px)),
        defocus_slope=slope * np.array([np.cos(slope_way), np.sin(slope_way)]),
        shake_px=shake * np.array([np.cos(direction), np.sin(direction)]),
        white_level=float(rng.uniform(*spec.white_level)),
        full_well_e=float(rng.uniform(*spec.full_well_e)),
        read_noise_e=float(rng.uniform(*spec.read_noise_e)),
        chroma_denoise_px=float(rng.uniform(*spec.chroma_denoise_px)),
        cast=cast.astype(np.float32),
        tone=float(rng.uniform(*spec.tone)),
        sharpen=float(rng.uniform(*spec.sharpen)),
        sharpen_radius_px=float(rng.uniform(*spec.sharpen_radius_px)),
        jpeg_quality=int(rng.integers(spec.jpeg_quality[0], spec.jpeg_quality[1] + 1)),
    )


def light_field(rng: np.random.Generator, spec: CaptureSpec, width: int, height: int) -> F32:
    """The light's level (H/8, W/8) float32 over the photo, mean near 1."""
    cols, rows = -(-width // _LOW), -(-height // _LOW)
    x = (np.arange(cols) + 0.5) / cols * 2 - 1
    y = ((np.arange(rows) + 0.5) / rows * 2 - 1) * height / width
    xx, yy = np.meshgrid(x, y)
    way = float(rng.uniform(0, 2 * np.pi))
    slope = float(rng.uniform(*spec.light_slope))
    log_light = slope * (np.cos(way) * xx + np.sin(way) * yy)
    bumps = float(rng.uniform(*spec.light_bumps))
    for _ in range(4):
        cx, cy = rng.uniform(-1, 1), rng.uniform(-0.8, 0.8)
        wide = rng.uniform(0.7, 1.5)
        log_light += bumps * rng.normal() * np.exp(-((xx - cx) ** 2 + (yy - cy) ** 2) / wide**2)
    vignetting = float(rng.uniform(*spec.vignetting))
    r2 = (xx**2 + yy**2) / (1 + (height / width) ** 2)
    log_light += np.log1p(-vignetting * r2)
    return np.asarray(np.exp(log_light - log_light.mean()), np.float32)


def reflections(
    rng: np.random.Generator, spec: CaptureSpec, width: int, height: int, corners_px: F64
) -> tuple[F32, float]:
    """Light mirrored by the glossy face (H/8, W/8, 3) float32, and its share on the bench."""
    cols, rows = -(-width // _LOW), -(-height // _LOW)
    out = np.zeros((rows, cols, 3), np.float32)
    low, high = spec.reflections
    count = int(rng.integers(low, high + 1))
    spill = float(rng.uniform(*spec.reflection_spill))
    q = corners_px / _LOW
    for _ in range(count):
        # anywhere on the panel, its border included
        s, t = rng.uniform(-0.05, 1.05, 2)
        at = (1 - t) * ((1 - s) * q[0] + s * q[1]) + t * ((1 - s) * q[3] + s * q[2])
        level = float(np.exp(rng.uniform(*np.log(spec.reflection_level))))
        span = float(np.hypot(*(q[2] - q[0])))
        colour = 1 + rng.normal(0, 0.04) * np.array([1, 0, -1])
        angle = float(rng.uniform(0, np.pi))
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        if rng.random() < spec.window_chance:
            w, h = rng.uniform(0.08, 0.3, 2) * span
            shape = np.zeros((rows, cols), np.float32)
            panes = int(rng.integers(1, 3))
            slant = float(0.15 * rng.normal())
            for i in range(panes):
                a, b = (i + 0.04) / panes - 0.5, (i + 0.96) / panes - 0.5
                pane = np.array([[a * w, -h / 2], [b * w, -h / 2], [b * w, h / 2], [a * w, h / 2]])
                pane[:, 0] += slant * pane[:, 1]
                shape = np.maximum(shape, filled((rows, cols), pane @ turn.T + at))
            spot = blur(shape, float(rng.uniform(0.008, 0.03)) * span)
        else:
            outline = blob_outline(rng, 0.25) * float(rng.uniform(0.04, 0.16)) * span
            outline *= [float(rng.uniform(1, 2.5)), 1]
            solid = filled((rows, cols), outline @ turn.T + at)
            spot = blur(solid, float(rng.uniform(0.02, 0.08)) * span)
            spot /= max(float(spot.max()), 1e-6)
        out += (level * spot)[..., None] * colour.astype(np.float32)
    return out, spill


def upsampled(low: F32, y0: int, y1: int, width: int) -> F32:
    """Rows y0..y1 of a field that is kept at an eighth of the photo's size.

    y0 must be a multiple of 8.
    """
    a, b = y0 // _LOW, -(-y1 // _LOW)
    first, last = max(a - 1, 0), min(b + 1, low.shape[0])
    big = resize(low[first:last], low.shape[1] * _LOW, (last - first) * _LOW)
    start = y0 - first * _LOW
    return big[start : start + y1 - y0, :width]


def shaken(image: F32, shake_px: F64) -> F32:
    """`image` smeared along a short straight path; `shake_px` is the path's spread as a vector."""
    spread = float(np.hypot(*shake_px))
    if spread < 0.1:
        return image
    half = int(np.ceil(2 * spread)) + 1
    k = np.arange(-half, half + 1)
    xx, yy = np.meshgrid(k, k)
    way = shake_px / spread
    along, across = xx * way[0] + yy * way[1], -xx * way[1] + yy * way[0]
    kernel = np.exp(-((along / spread) ** 2 + (across / 0.35) ** 2) / 2)
    kernel /= kernel.sum()
    out = cv2.filter2D(image, -1, kernel.astype(np.float32), borderType=cv2.BORDER_REPLICATE)
    return np.asarray(out, np.float32)


def _tone_table(camera: Camera) -> F32:
    """sRGB encoding under an S-shaped curve, 8-bit codes as float, over 65536 linear steps."""
    linear = np.arange(65536) / 65535.0
    code = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    s_curve = code * code * (3 - 2 * code)
    return np.asarray((code + camera.tone * (s_curve - code)) * 255, np.float32)


def develop(raw: F32, camera: Camera, seed: int) -> U8:
    """The camera's own 8-bit picture (H, W, 3) of noise-free raw light; `raw` is used up.

    Adds noise, cuts at full scale, balances, denoises colour, encodes, sharpens.
    """
    rng = stream(seed, "noise")
    table = _tone_table(camera)
    strips = [slice(y, y + _STRIP) for y in range(0, raw.shape[0], _STRIP)]
    for rows in strips:
        noise = rng.standard_normal(raw[rows].shape, dtype=np.float32)
        noise *= np.sqrt(camera.variance(raw[rows]))
        raw[rows] += noise
        np.clip(raw[rows], 0, 1, out=raw[rows])
    # the camera smooths colour noise and leaves brightness alone
    grey = np.asarray(cv2.transform(raw, _GREY[None, :]), np.float32)
    for rows in strips:
        raw[rows] -= spread(grey[rows])
    raw = blur(raw, camera.chroma_denoise_px)
    for rows in strips:
        part = raw[rows]
        part += spread(grey[rows])
        np.clip(part, 0, 1, out=part)
        part *= np.float32(65535)
        raw[rows] = table.take(np.rint(part).astype(np.uint16))
    soft = blur(raw, camera.sharpen_radius_px)
    out = np.empty(raw.shape, np.uint8)
    for rows in strips:
        sharp = cv2.addWeighted(raw[rows], 1 + camera.sharpen, soft[rows], -camera.sharpen, 0)
        out[rows] = np.clip(np.rint(sharp), 0, 255)
    return out


def to_jpeg(pixels: U8, quality: int) -> bytes:
    """JPEG bytes with 4:2:0 colour and an Exif block of an invented camera."""
    exif = Image.Exif()
    exif[0x010F] = "Simulated"
    exif[0x0110] = "Simulated camera"
    exif[0x0112] = 1
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(
        buffer, format="JPEG", quality=quality, subsampling=2, exif=exif.tobytes()
    )
    return buffer.getvalue()
