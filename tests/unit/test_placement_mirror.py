"""A picture that holds its own mirror image must not be placed on the wrong half of itself."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest
from skimage import data

from dyelight.placement.features import detect, match
from dyelight.records import F32

PICTURES: Any = data  # ships without type information


def _with_ornaments() -> F32:
    """A photograph between two ornaments, each its own mirror image."""
    middle = PICTURES.camera()
    half = PICTURES.brick()[:, :140]
    ornament = np.hstack([half, half[:, ::-1]])
    other = PICTURES.gravel()[:, :140]
    right = np.hstack([other, other[:, ::-1]])
    art = np.hstack([ornament, middle, right])
    return np.asarray(
        cv2.resize(art, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA) / 255.0, np.float32
    )


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("turn", [0.0, 2.0])
def test_ornaments_do_not_outvote_the_picture(mirrored: bool, turn: float) -> None:
    """The way round follows the whole artwork, tilted and turned by quarters, and so does place."""
    art = _with_ornaments()
    height, width = art.shape
    shown = np.ascontiguousarray(art[:, ::-1]) if mirrored else art
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32)
    seen = np.array([[60, 40], [570, 70], [560, 330], [80, 350]], np.float32)
    seen = np.roll(seen, int(turn), axis=0)
    lay = cv2.getPerspectiveTransform(corners, seen)
    photo = cv2.warpPerspective(shown, lay, (640, 400))
    found = match(detect(art, 1500), detect(np.asarray(photo, np.float32), 1500), 20.0)
    assert found is not None
    assert found.mirrored is mirrored
    over = np.diag([-1.0, 1.0, 1.0]) if mirrored else np.eye(3)
    over[0, 2] = width - 1 if mirrored else 0
    true = lay @ over
    points = np.array([[[10.0, 10.0], [width - 10.0, 20.0], [width / 2, height - 10.0]]])
    error = cv2.perspectiveTransform(points, found.homography) - cv2.perspectiveTransform(
        points, true
    )
    assert np.abs(error).max() < 1.5
