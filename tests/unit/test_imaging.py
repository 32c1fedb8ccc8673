"""Images made smaller are means over blocks; lengths do not depend on where an array lies."""

from __future__ import annotations

import numpy as np
import pytest

from dyelight.imaging import length, reduced


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


@pytest.mark.parametrize("start", [0, 16, 32, 48])
def test_lengths_are_the_same_wherever_an_array_lies_in_memory(start: int) -> None:
    """IEEE 754: products, sums and square roots are each rounded once, to the nearest float32. The
    same photo must give the same result to the last digit, whatever memory it was given."""
    dx, dy = np.random.default_rng(1).random((2, 251, 397), np.float32)
    room = np.empty(dx.nbytes + 128, np.uint8)
    first = -room.ctypes.data % 64 + start
    placed = room[first : first + dx.nbytes].view(np.float32).reshape(dx.shape)
    placed[...] = dx
    squared = (dx * dx + dy * dy).astype(np.float64)
    assert (length(placed, dy) == np.sqrt(squared).astype(np.float32)).all()
