"""Which photos a teaching rests on, how it names them, and why others are left out."""

from __future__ import annotations

import numpy as np
import pytest

from dyelight.records import F32, F64
from dyelight.teach.capture import BENCH_COLUMNS, BENCH_ROWS, NOISE_BINS, Around
from dyelight.teach.fixed_capture import of_another_camera
from dyelight.teach.learn import teach
from dyelight.teach.lessons import Lesson, Outcome, UnfitReference
from dyelight.teach.limits import teach_limits
from dyelight.teach.record import TaughtPanel
from dyelight.teach.samples import PanelSamples

COUNT = 900


def grid(size: float = 1.0, tilt: float = 0.0) -> tuple[F64, F64]:
    """A panel of 200 x 150 mm under a camera of 4 px/mm, nearer or leant."""
    mm = np.stack(np.meshgrid(np.linspace(0, 200, 9), np.linspace(0, 150, 9)), -1).reshape(-1, 2)
    moved = 4 * size * (mm - [100, 75]) + [480, 360]
    return mm, moved / (1 + tilt * (moved[:, :1] - 480) / 480)


def lesson(
    seed: int, photo: str, *, share: float = 0.0, seen: tuple[F64, F64] | None = None
) -> Lesson:
    """A panel of a dozen colours under an even light, `share` of its dye missing."""
    rng = np.random.default_rng(seed)
    mix = rng.dirichlet(np.ones(12) * 0.4, COUNT)
    artwork: F32 = (mix @ rng.uniform(0.1, 0.95, (12, 3))).astype(np.float32)
    dye = -np.log(0.015 + 0.985 * np.square(artwork.astype(np.float64)))
    panel_at = rng.random((COUNT, 2))
    light = np.exp(-0.25 - (1 - share) * dye + rng.normal(0, 0.01, dye.shape))
    return Lesson(
        photo,
        TaughtPanel(photo.rpartition("/")[2], f"{seed:064d}", "b" * 64),
        PanelSamples(light, artwork, 0.15 + 0.7 * panel_at, panel_at),
        Around(np.full((BENCH_ROWS, BENCH_COLUMNS, 3), -2.0)),
        grid() if seen is None else seen,
        np.full(len(NOISE_BINS), 0.004),
        (0.0, 0.0),
        (960, 720),
    )


def test_names_may_repeat_and_folders_are_not_kept() -> None:
    """Two folders hold photos of one name, one of them pale: that one alone is left out, told with
    its folder and kept without."""
    lessons: list[Lesson | Outcome] = [
        lesson(seed, f"{folder}/{number}.jpg")
        for seed, (folder, number) in enumerate(
            (folder, number) for folder in ("mill", "Ada") for number in range(6)
        )
    ]
    lessons[8] = lesson(8, "Ada/2.jpg", share=0.2)
    lessons.append(Outcome("Ada/wall.jpg", False, "No panel is seen."))
    taught = teach(lessons, base="white", finish="gloss", way="panels", today="2027-03-01")
    left_out = [one.photo for one in taught.outcomes if not one.taken]
    assert left_out == ["Ada/2.jpg", "Ada/wall.jpg"]
    assert [one.photo for one in taught.teaching.panels] == [
        f"{number}.jpg" for number in (*range(6), 0, 1, 3, 4, 5)
    ]
    first, second = taught.teaching.left_out
    assert first.startswith("2.jpg: It stands out")
    assert second == "wall.jpg: No panel is seen."


@pytest.mark.parametrize(
    ("seen", "says"),
    [
        (grid(size=1.012), "1.2 % larger in it than its size asks for. Check the size"),
        (grid(size=0.98), "2.0 % smaller in it than its size asks for. Check the size"),
        (grid(size=1.013, tilt=0.02), "the panel's shape in it is another. Take it again"),
    ],
    ids=["nearer", "farther", "leant"],
)
def test_a_moved_camera_is_told_by_what_shows_it(seen: tuple[F64, F64], says: str) -> None:
    """Size and shape have a sentence each, with what to do."""
    lessons = {number: lesson(number, f"{number}.jpg") for number in range(3)}
    lessons[7] = lesson(7, "7.jpg", seen=seen)
    out = of_another_camera(lessons, teach_limits())
    assert list(out) == [7]
    assert says in out[7].why


def test_a_signed_off_panel_that_teaches_nothing_is_told_as_that() -> None:
    """Nothing is said of ten panels or of --signed-off itself; the reason and a way out are."""
    lessons: list[Lesson | Outcome] = [Outcome("a/good.jpg", False, "It shows a second image.")]
    with pytest.raises(UnfitReference) as caught:
        teach(lessons, base="white", finish="gloss", way="signed_off")
    told = caught.value.sentence()
    assert told.startswith("a/good.jpg: nothing can be learnt from this signed-off panel.")
    assert "It shows a second image." in told
    assert "--signed-off" not in told
    assert "are needed" not in told
