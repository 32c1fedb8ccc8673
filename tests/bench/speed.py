"""How long one check takes on one core, beside the plain peer, and how much memory it needs.

    python tests/bench/speed.py --pictures CACHE [--repeats 3] [--picture NAME]

Both start from the photo's and the artwork's files and end with findings; imports and rules are
loaded before. Seconds are CPU seconds of one thread, so that other work there counts little.
The peer is SIFT at 1 MP, a homography and skimage's SSIM on grey at the photo's own fineness.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import cv2
import numpy as np
import peers
from one_thread import keep_to_one_thread
from pictures import at_hand, load
from rows import models

from dyelight import pipeline
from dyelight.intake import read_artwork, read_photo
from dyelight.records import U8, Artwork, Inspection, Kind, Photo
from dyelight.simulate import artwork_size_mm, plan_defects, simulate_photo

_LONG_12MP = 4000
_LOCAL: tuple[Kind, ...] = ("vapour_spot", "fibre", "scratch")
_SIZES_MP = (2, 4, 8, 12, 24)
_MEMORY_LIMIT_MIB = 1024


def make_photo(
    rgb: U8, folder: Path, megapixels: float, kinds: Sequence[Kind] = _LOCAL
) -> tuple[Path, tuple[float, float]]:
    """A simulated handheld photo's file, 4:3, with three defects, and the panel's size in mm."""
    size = artwork_size_mm(rgb.shape[1], rgb.shape[0])
    path = folder / f"photo{megapixels:g}-{kinds[0]}.jpg"
    photo = simulate_photo(
        rgb,
        width_mm=size[0],
        height_mm=size[1],
        capture="handheld",
        defects=plan_defects(np.random.default_rng(7), *size, len(kinds), kinds=kinds),
        seed=7,
        long_side_px=round(_LONG_12MP * (megapixels / 12) ** 0.5),
    )
    path.write_bytes(photo.jpeg)
    return path, size


def check(photo: Path, artwork: Path, size: tuple[float, float]) -> Inspection:
    """The program's whole check, from files."""
    rules, acceptance, causes = models()
    return pipeline.inspect_panel(
        [read_photo(photo)],
        read_artwork(artwork, *size),
        rules=rules,
        acceptance=acceptance,
        causes=causes,
    )


def _rgb(path: Path) -> U8:
    pixels = cv2.imread(str(path), cv2.IMREAD_COLOR)
    if pixels is None:
        raise FileNotFoundError(path)
    return np.asarray(cv2.cvtColor(pixels, cv2.COLOR_BGR2RGB), np.uint8)


def peer_check(photo: Path, artwork: Path, size: tuple[float, float]) -> int:
    """The peer's whole check, from files: how many places it marks; -1 unplaced."""
    shot = Photo(str(photo), "", _rgb(photo))
    work = Artwork(str(artwork), "", _rgb(artwork), None, *size)
    photo_from_mm = peers.place(shot, work)
    if photo_from_mm is None:
        return -1
    pair = peers.square_up(shot, work, photo_from_mm, grey=True)
    return len(peers.boxes(peers.ssim_difference(pair), pair.px_per_mm, 0.9))


def seconds_of(work: Callable[[], object]) -> float:
    """CPU seconds of one call."""
    began = time.process_time()
    work()
    return time.process_time() - began


def least_seconds(photo: Path, artwork: Path, size: tuple[float, float], repeats: int) -> float:
    """The least CPU seconds of a few checks."""
    return min(seconds_of(lambda: check(photo, artwork, size)) for _ in range(repeats))


def stage_seconds(photo: Path, artwork: Path, size: tuple[float, float]) -> dict[str, float]:
    """CPU seconds of each stage of one check."""
    spent: dict[str, float] = {}
    plain = pipeline.stage

    @contextmanager
    def timed(name: str, file: str) -> Iterator[None]:
        began = time.process_time()
        with plain(name, file):
            yield
        spent[name] = spent.get(name, 0.0) + time.process_time() - began

    read = {
        "read photo": seconds_of(lambda: read_photo(photo)),
        "read artwork": seconds_of(lambda: read_artwork(artwork, *size)),
    }
    pipeline.stage = timed
    try:
        whole = seconds_of(lambda: check(photo, artwork, size))
    finally:
        pipeline.stage = plain
    spent = read | spent
    spent["the rest"] = max(whole - sum(spent.values()), 0.0)
    spent["whole"] = whole
    return spent


def decode_seconds(photo: Path, repeats: int) -> float:
    """The least CPU seconds that OpenCV takes to decode the photo: a yardstick of the machine."""
    data = np.frombuffer(photo.read_bytes(), np.uint8)
    return min(seconds_of(lambda: cv2.imdecode(data, cv2.IMREAD_COLOR)) for _ in range(repeats))


def peak_mib(photo: Path, artwork: Path, size: tuple[float, float]) -> tuple[float, float]:
    """Peak resident memory in MiB of a fresh process: after its imports, and after one check."""
    words = [sys.executable, __file__, "--child", str(photo), str(artwork), *map(repr, size)]
    out = subprocess.run(words, check=True, capture_output=True, text=True).stdout.split()
    return float(out[0]), float(out[1])


def _peak_so_far_mib() -> float:
    # ru_maxrss takes the parent's peak over when a process is started from a large one
    status = Path("/proc/self/status")
    if status.is_file():
        line = next(t for t in status.read_text().splitlines() if t.startswith("VmHWM:"))
        return float(line.split()[1]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _child(words: Sequence[str]) -> int:
    cv2.setNumThreads(1)
    models()
    before = _peak_so_far_mib()
    check(Path(words[0]), Path(words[1]), (float(words[2]), float(words[3])))
    print(before, _peak_so_far_mib())
    return 0


def print_race(photo: Path, artwork: Path, size: tuple[float, float], repeats: int) -> None:
    """The peer, then the program, one round of each before that not counted.

    The peer comes first, as the program sets the process to keep freed memory, which is its own.
    """
    theirs = [seconds_of(lambda: peer_check(photo, artwork, size)) for _ in range(repeats + 1)][1:]
    ours = [seconds_of(lambda: check(photo, artwork, size)) for _ in range(repeats + 1)][1:]
    print(f"\n--- a check of 12 MP, CPU s of one thread, {repeats} rounds ---")
    print(
        f"ours           least {min(ours):.2f}  median {np.median(ours):.2f}  (to reach: at most 2)"
    )
    print(f"SIFT and SSIM  least {min(theirs):.2f}  median {np.median(theirs):.2f}")
    ratios = np.array(ours) / np.array(theirs)
    least = min(ours) / min(theirs)
    print(
        f"ratio          least {least:.2f}  median {np.median(ratios):.2f}  (to reach: at most 0.8)"
    )


def print_profile(photo: Path, artwork: Path, size: tuple[float, float], repeats: int) -> None:
    """Each stage as a multiple of the photo's decoding."""
    unit = decode_seconds(photo, 3)
    runs = [stage_seconds(photo, artwork, size) for _ in range(repeats)]
    print(f"\n--- stages, as multiples of decoding the JPEG ({unit:.3f} CPU s), median ---")
    for name in runs[0]:
        spent = float(np.median([run[name] for run in runs]))
        print(f"{name:14}{spent / unit:7.1f}   {spent:6.2f} s")


def print_growth(rgb: U8, artwork: Path, folder: Path, repeats: int) -> None:
    """Seconds and memory against the photo's size."""
    print("\n--- against the photo's size: CPU s, CPU s a MP, peak MiB ---")
    for megapixels in _SIZES_MP:
        photo, size = make_photo(rgb, folder, megapixels)
        spent = least_seconds(photo, artwork, size, repeats)
        before, peak = peak_mib(photo, artwork, size)
        note = f"  (to reach: under {_MEMORY_LIMIT_MIB})" if megapixels == 12 else ""
        print(f"{megapixels:3} MP {spent:7.2f} {spent / megapixels:7.3f} {peak:7.0f}, "
              f"of which {before:.0f} after start-up{note}")  # fmt: skip


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the bench; 0 always: figures are to be read."""
    words = sys.argv[1:] if arguments is None else list(arguments)
    if words[:1] == ["--child"]:
        return _child(words[1:])
    parser = argparse.ArgumentParser(description="Speed and memory of one check.")
    parser.add_argument("--pictures", type=Path, help="the cache that pictures.py filled")
    parser.add_argument("--picture", default="coffee.png", help="a name of pictures.csv")
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--no-growth", action="store_true", help="leave out the other sizes")
    chosen = parser.parse_args(words)
    keep_to_one_thread()
    picture = next(p for p in at_hand(chosen.pictures) if p.name == chosen.picture)
    rgb = load(picture, chosen.pictures)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        artwork = folder / "artwork.png"
        cv2.imwrite(str(artwork), cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR))
        photo, size = make_photo(rgb, folder, 12)
        rows, cols = rgb.shape[:2]
        print(f"a simulated photo of 12 MP of {picture.name}, artwork {cols} x {rows} px")
        print_race(photo, artwork, size, chosen.repeats)
        print_profile(photo, artwork, size, chosen.repeats)
        before, peak = peak_mib(photo, artwork, size)
        print(f"\npeak memory {peak:.0f} MiB, of which {before:.0f} after start-up "
              f"(to reach: under {_MEMORY_LIMIT_MIB})")  # fmt: skip
        twice, _ = make_photo(rgb, folder, 12, ("ghosting",))
        spent = least_seconds(twice, artwork, size, chosen.repeats)
        print(f"with a second image over the print, looked at twice: {spent:.2f} CPU s")
        if not chosen.no_growth:
            print_growth(rgb, artwork, folder, max(chosen.repeats - 1, 1))
    return 0


if __name__ == "__main__":
    sys.exit(main())
