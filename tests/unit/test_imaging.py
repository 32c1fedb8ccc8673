"""Images made smaller: means over blocks, never the image that was handed in."""

from __future__ import annotations

import numpy as np
import pytest

from dyelight.imaging import reduced


@pytest.mark.parametrize("by", [1, 2, 3, 4, 8])
def test_reduced_takes_means_over_whole_blocks(by: int) -> None:
    """A ragged last row and column are left off; the rest are means."""
    image = np.random.default_rng(3).random((27, 41), np.float32)
    height, width = 27 // by, 41 // by
    blocks = image[: height * by, : width * by].reshape(height, by, width, by)
    assert reduced(image, by) == pytest.approx(blocks.mean(axis=(1, 3)), abs=1e-6)


@pytest.mark.parametrize("by", [1, 2])
def test_what_is_written_on_a_reduced_image_leaves_the_first_as_it_was(by: int) -> None:
    """Callers work on in place; with nothing to reduce they would spoil the photo itself."""
    image = np.ones((6, 8), np.float32)
    small = reduced(image, by)
    small *= 0
    assert (image == 1).all()
