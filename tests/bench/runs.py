"""Wholesale runs: what a run costs beside single checks, whether faults change it, its patterns.

    python tests/bench runs throughput [--photos 16] [--megapixels 12] [--workers 1 2] [--cluster]
    python tests/bench runs faults [--photos 24] [--kills 20] [--seed 1]
    python tests/bench runs patterns [--runs 100] [--panels 200] [--seed 1]
    python tests/bench runs photos [--panels 60] [--seed 1] [--planted KIND ...]

All photos and findings are simulated. Throughput is told as a ratio to single checks made in the
same go: the same photos, read, inspected and written one after another in one process. CPU seconds
stand beside wall seconds, as other work on the machine stretches the latter.
"""

from __future__ import annotations

import argparse
import contextlib
import csv
import json
import os
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from one_thread import keep_to_one_thread
from PIL import Image
from skimage import data

from dyelight.causes import load_causes
from dyelight.intake import read_artwork, read_photo
from dyelight.pipeline import inspect_panel
from dyelight.records import U8
from dyelight.report.marked import marked_picture
from dyelight.report.outputs import photo_preview
from dyelight.report.result_json import result_text
from dyelight.runs.panels import Mark, Panel
from dyelight.runs.pattern_file import load_patterns
from dyelight.runs.patterns import Pattern, find_patterns
from dyelight.runs.simulated import (
    EXPECTED,
    HEIGHT_MM,
    PLANTED,
    WIDTH_MM,
    Planted,
    simulated_run,
)
from dyelight.runs.tests_of_chance import share_interval
from dyelight.runs.work import load_knowledge
from dyelight.simulate import (
    PLANTABLE,
    PlantedDefect,
    drawn_artwork,
    plan_defects,
    simulate_photo,
)

_SIZE_MM = (254.0, 190.5)
_SMALL_MM = (120.0, 90.0)
_DISTINCT = 4
_LONG_SIDE_12MP = 4000


def make_shop(folder: Path, photos: int, long_side_px: int, distinct: int) -> Path:
    """A folder with photos, two artworks and a list; photos beyond `distinct` are copies."""
    folder.mkdir(parents=True, exist_ok=True)
    artwork_px = min(3000, 2 * long_side_px)
    artworks = [drawn_artwork("fabric", artwork_px, artwork_px * 3 // 4, seed=n) for n in range(2)]
    for number, pixels in enumerate(artworks):
        Image.fromarray(pixels).save(folder / f"art{number}.png")
    made: list[bytes] = []
    rows = []
    for index in range(photos):
        if len(made) < distinct:
            rng = np.random.default_rng(index)
            photo = simulate_photo(
                artworks[index % 2],
                width_mm=_SIZE_MM[0],
                height_mm=_SIZE_MM[1],
                capture="station",
                defects=plan_defects(rng, *_SIZE_MM, index % 4),
                seed=index,
                long_side_px=long_side_px,
            )
            made.append(photo.jpeg)
        # the n-th copy of an artwork's photo belongs to that artwork
        turn = index % distinct
        (folder / f"p{index:03d}.jpg").write_bytes(made[turn])
        rows.append([f"K-{index:03d}", f"p{index:03d}.jpg", f"art{turn % 2}.png", *_SIZE_MM])
    with (folder / "run.csv").open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["panel_id", "photo", "artwork", "width_mm", "height_mm"])
        writer.writerows(rows)
    return folder / "run.csv"


def command(manifest: Path, out: Path, *words: str) -> list[str]:
    """The command line of a run."""
    return [
        sys.executable, "-m", "dyelight.cli", "run", str(manifest), "--out", str(out), *words
    ]  # fmt: skip


def results(out: Path) -> dict[str, Any]:
    """All results of a run, `seconds` apart."""
    found = {}
    for path in sorted((out / "results").iterdir()):
        found[path.name] = json.loads(path.read_text(encoding="utf-8"))
        del found[path.name]["seconds"]
    return found


# throughput


def single_checks(manifest: Path, out: Path) -> None:
    """The same panels in this process, one after another, as single checks do them."""
    knowledge = load_knowledge(None, "gallery", None)
    out.mkdir()
    with manifest.open(newline="") as file:
        rows = list(csv.DictReader(file))
    for row in rows:
        artwork = read_artwork(manifest.parent / row["artwork"], *_SIZE_MM)
        photo = read_photo(manifest.parent / row["photo"])
        inspection = inspect_panel(
            [photo],
            artwork,
            rules=knowledge.rules,
            acceptance=knowledge.acceptance,
            causes=knowledge.causes,
        )
        marked = marked_picture(inspection, photo_preview(photo))
        marked.save(out / f"{row['panel_id']}.jpg", "JPEG", quality=88)
        (out / f"{row['panel_id']}.json").write_text(result_text(inspection), encoding="utf-8")


def timed(words: Sequence[str]) -> tuple[float, float, float]:
    """Wall seconds, CPU seconds of a process and all its children, and the largest peak MiB."""
    wall, before = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
    process = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    peak = 0.0
    while process.poll() is None:
        peak = max(peak, largest_child_mib(process.pid))
        time.sleep(0.1)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return time.perf_counter() - wall, cpu, peak


def largest_child_mib(pid: int) -> float:
    """The largest peak of resident memory so far among a process's children, MiB."""
    found = 0.0
    for path in Path("/proc").glob("[0-9]*/status"):
        with contextlib.suppress(OSError, ValueError, IndexError):
            text = path.read_text()
            facts = dict(line.split(":", 1) for line in text.splitlines() if ":" in line)
            if int(facts["PPid"]) == pid and "VmHWM" in facts:
                found = max(found, int(facts["VmHWM"].split()[0]) / 1024)
    return found


def throughput(chosen: argparse.Namespace, folder: Path) -> None:
    """A run beside single checks: wall, CPU, ratio, scaling, memory."""
    long_side = round(_LONG_SIDE_12MP * (chosen.megapixels / 12) ** 0.5)
    manifest = make_shop(folder / "shop", chosen.photos, long_side, _DISTINCT)
    print(f"{chosen.photos} simulated photos of {chosen.megapixels:g} MP, {_DISTINCT} distinct")
    single = [sys.executable, __file__, "--single", str(manifest), str(folder / "single")]
    base = timed(single)
    print(f"single checks    wall {base[0]:6.1f} s  CPU {base[1]:6.1f} s")
    walls: dict[int, float] = {}
    for workers in chosen.workers:
        out = folder / f"out{workers}"
        wall, cpu, peak = timed(command(manifest, out, "--workers", str(workers)))
        walls[workers] = wall
        ideal = base[0] / workers
        print(
            f"run, {workers} workers   wall {wall:6.1f} s  CPU {cpu:6.1f} s  "
            f"wall/(single/{workers}) {wall / ideal:.2f}  CPU/single {cpu / base[1]:.2f}  "
            f"{chosen.photos / wall:.2f} panels/s  worker's peak {peak:.0f} MiB"
        )
        again, again_cpu, _ = timed(command(manifest, out, "--workers", str(workers)))
        print(f"  nothing to do  wall {again:6.1f} s  CPU {again_cpu:6.1f} s")
    if {1, 2} <= set(walls):
        print(f"scaling from 1 to 2 workers {walls[1] / walls[2] / 2:.2f}")
        same = results(folder / "out1") == results(folder / "out2")
        print(f"results of 1 and 2 workers are the same: {same}")
    if chosen.cluster:
        with cluster(folder, 2) as address:
            out = folder / "outc"
            wall, _, _ = timed(command(manifest, out, "--cluster", address))
            print(f"run, Dask, 2 workers  wall {wall:6.1f} s")
        same = results(out) == results(folder / f"out{chosen.workers[-1]}")
        print(f"results of the cluster are the same: {same}")
    total = sum(path.stat().st_size for path in (folder / "out1").rglob("*") if path.is_file())
    print(f"output a panel {total / chosen.photos / 1024:.0f} KiB")


@contextlib.contextmanager
def cluster(folder: Path, workers: int) -> Iterator[str]:
    """A Dask scheduler and workers on loopback; its address."""
    file = folder / "scheduler.json"
    started = []

    def start(*words: str) -> None:
        started.append(
            subprocess.Popen(
                [sys.executable, "-m", "dask", *words],
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                cwd=folder,
            )
        )

    try:
        start("scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard",
              "--scheduler-file", str(file))  # fmt: skip
        while not file.exists() or not file.read_text().strip():
            time.sleep(0.05)
        address = str(json.loads(file.read_text())["address"])
        for _ in range(workers):
            start("worker", address, "--nthreads", "1", "--no-nanny", "--no-dashboard")
        yield address
    finally:
        for process in reversed(started):
            process.kill()
            process.wait()


# faults


def children_of(pid: int) -> list[int]:
    """The worker processes of a run, by the kernel's list."""
    found = []
    for path in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError, ValueError, IndexError):
            if int(path.read_text().rpartition(")")[2].split()[1]) == pid:
                found.append(int(path.parent.name))
    return found


def run_to_the_end(manifest: Path, out: Path) -> int:
    """Resume until a run ends by itself; its exit code."""
    return subprocess.run(
        command(manifest, out, "--workers", "2"),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    ).returncode


def disturbed(
    manifest: Path, out: Path, wait: float, strike: Callable[[subprocess.Popen[bytes]], None]
) -> None:
    """Start a run and strike it after a while; it may end first."""
    process = subprocess.Popen(
        command(manifest, out, "--workers", "2"),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    with contextlib.suppress(subprocess.TimeoutExpired):
        process.wait(timeout=wait)
    if process.poll() is None:
        strike(process)
    process.wait()


def faults(chosen: argparse.Namespace, folder: Path) -> None:
    """Kill, kill workers, fill the disk: are the results an undisturbed run's in the end?"""
    rng = np.random.default_rng(chosen.seed)
    manifest = make_shop(folder / "shop", chosen.photos, 700, chosen.photos)
    began = time.perf_counter()
    code = run_to_the_end(manifest, folder / "whole")
    whole_s = time.perf_counter() - began
    wanted = results(folder / "whole")
    print(f"{chosen.photos} simulated photos; undisturbed run {whole_s:.1f} s, exit {code}")

    def verdict(name: str, out: Path, ended: int) -> None:
        left = [path.name for path in out.rglob("*.part")]
        print(f"{name}: exit {ended}, same results {results(out) == wanted}, left over {left}")

    out = folder / "killed"
    for _ in range(chosen.kills):
        # moments from start-up to the whole; what is finished stays, so later ones strike elsewhere
        disturbed(manifest, out, float(rng.uniform(1.0, whole_s)), lambda run: run.kill())
        if len(list((out / "results").glob("*.json"))) == chosen.photos:
            # all done: take some away so that there is work to disturb
            for path in sorted((out / "results").iterdir())[:: int(rng.integers(2, 4))]:
                path.unlink()
    verdict(f"killed {chosen.kills} times", out, run_to_the_end(manifest, out))

    out = folder / "workers"

    def kill_a_worker(run: subprocess.Popen[bytes]) -> None:
        children = children_of(run.pid)
        for _ in range(3):
            if children:
                with contextlib.suppress(ProcessLookupError):
                    os.kill(int(rng.choice(children)), signal.SIGKILL)
            time.sleep(float(rng.uniform(1.0, whole_s / 4)))
            children = children_of(run.pid)

    disturbed(manifest, out, float(rng.uniform(2.0, whole_s / 2)), kill_a_worker)
    verdict("workers killed", out, run_to_the_end(manifest, out))

    small = folder / "small"
    small.mkdir()
    mounted = (
        subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=1500k", "tmpfs", str(small)], capture_output=True
        ).returncode
        == 0
    )
    if not mounted:
        print("full disk: not run, a small file system cannot be mounted here")
        return
    try:
        ended = run_to_the_end(manifest, small / "out")
        count = len(list((small / "out" / "results").glob("*.json")))
        print(f"disk of 1.5 MB full: exit {ended} after {count} results")
        subprocess.run(["mount", "-o", "remount,size=200m", str(small)], check=True)
        verdict("with room again", small / "out", run_to_the_end(manifest, small / "out"))
    finally:
        subprocess.run(["umount", str(small)], check=False)


# patterns


def named(planted: Planted, found: Sequence[Pattern]) -> bool:
    """Whether the planted pattern is told, with its cause."""
    pattern, kinds, cause = EXPECTED[planted]
    return any(
        item.pattern == pattern and item.kind in kinds and item.cause == cause for item in found
    )


def patterns(chosen: argparse.Namespace) -> None:
    """How often planted patterns are named, and how often others are told."""
    table = load_patterns(load_causes())
    print(f"{chosen.runs} runs of {chosen.panels} panels each, simulated findings; 95 % intervals")
    for planted, strength in [(kind, 1.0) for kind in PLANTED] + [
        (kind, 0.6) for kind in PLANTED if kind != "none"
    ]:
        told = hits = others = 0
        what: Counter[str] = Counter()
        for number in range(chosen.runs):
            seed = chosen.seed * 1000 + number
            run: list[Panel] = simulated_run(planted, seed, chosen.panels, strength)
            found = find_patterns(run, table)
            told += bool(found)
            if planted != "none":
                hits += named(planted, found)
            for item in found:
                right = planted != "none" and named(planted, [item])
                others += not right
                what[f"{item.pattern} {item.kind} {item.factor or ''}".strip()] += not right
        low, high = share_interval(told if planted == "none" else hits, chosen.runs)
        label = f"told any {told}" if planted == "none" else f"named {hits}"
        listed = ", ".join(f"{name} {count}" for name, count in what.most_common(4) if count)
        interval = f"({low:.2f} to {high:.2f})"
        print(
            f"{planted:12} strength {strength:.1f}: {label} of {chosen.runs} {interval};", end=" "
        )
        print(f"others {others} {listed}")


# patterns in photos


def planted_defect(mark: Mark, rng: np.random.Generator) -> PlantedDefect:
    """A simulated finding as a defect to plant on a small panel, easy to see."""
    at = (
        mark.center_mm[0] / WIDTH_MM * _SMALL_MM[0],
        mark.center_mm[1] / HEIGHT_MM * _SMALL_MM[1],
    )
    sizes = {"dust_speck": 1.2, "fibre": 8.0, "vapour_spot": 8.0, "coating_lift": 6.0}
    size = sizes.get(mark.kind, 10.0)
    strength = {"vapour_spot": 0.45, "off_colour": 0.25, "ghosting": 0.2}.get(mark.kind, 0.9)
    ghost = mark.kind == "ghosting"
    return PlantedDefect(
        mark.kind,
        at,
        min(_SMALL_MM) if mark.whole else size,
        strength=strength,
        tone=mark.tone,
        angle_deg=float(rng.uniform(0, 180)),
        vector_mm=mark.vector_mm,
        pattern="slip" if ghost else None,
        shape_seed=int(rng.integers(2**31)),
    )


def cropped(picture: Any) -> U8:
    """The middle of a photograph that ships with scikit-image, 4:3."""
    height = min(picture.shape[0], picture.shape[1] * 3 // 4)
    width = height * 4 // 3
    top, left = (picture.shape[0] - height) // 2, (picture.shape[1] - width) // 2
    return np.ascontiguousarray(picture[top : top + height, left : left + width], np.uint8)


def photos(chosen: argparse.Namespace, folder: Path) -> None:
    """One run from photos for each planted pattern: what the command tells of it."""
    artworks = [cropped(picture) for picture in (data.coffee(), data.chelsea(), data.astronaut())]
    for planted in chosen.planted:
        shop = folder / planted
        shop.mkdir()
        for number, pixels in enumerate(artworks):
            Image.fromarray(pixels).save(shop / f"art{number}.png")
        rng = np.random.default_rng(chosen.seed)
        rows: list[dict[str, Any]] = []
        for panel in simulated_run(planted, chosen.seed, chosen.panels):
            marks = [mark for mark in panel.marks if mark.kind in PLANTABLE]
            photo = simulate_photo(
                artworks[panel.index % 3],
                width_mm=_SMALL_MM[0],
                height_mm=_SMALL_MM[1],
                capture="station",
                defects=[planted_defect(mark, rng) for mark in marks],
                seed=chosen.seed * 1000 + panel.index,
                long_side_px=900,
            )
            (shop / f"{panel.panel_id}.jpg").write_bytes(photo.jpeg)
            facts = {name: value for name, value in panel.facts.items() if name != "batch"}
            names = {"panel_id": panel.panel_id, "photo": f"{panel.panel_id}.jpg"}
            size = {"width_mm": _SMALL_MM[0], "height_mm": _SMALL_MM[1]}
            rows.append({**names, "artwork": f"art{panel.index % 3}.png", **size, **facts})
        with (shop / "run.csv").open("w", newline="") as file:
            writer = csv.DictWriter(file, list(rows[0]))
            writer.writeheader()
            writer.writerows(rows)
        run_to_the_end(shop / "run.csv", shop / "out")
        told = json.loads((shop / "out" / "run.json").read_text(encoding="utf-8"))
        print(f"{planted}, {chosen.panels} simulated photos: {told['counts']}")
        print("  " + ", ".join(f"{item['kind']} {item['panels']}" for item in told["pareto"]))
        for item in told["patterns"]:
            print(f"  {item['sentence']} -> {item['cause']}")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a bench; 0 always: figures are to be read."""
    words = sys.argv[1:] if arguments is None else list(arguments)
    if words[:1] == ["--single"]:
        single_checks(Path(words[1]), Path(words[2]))
        return 0
    parser = argparse.ArgumentParser(description="Benches of wholesale runs.")
    kinds = parser.add_subparsers(dest="bench", required=True)
    one = kinds.add_parser("throughput")
    one.add_argument("--photos", type=int, default=16)
    one.add_argument("--megapixels", type=float, default=12)
    one.add_argument("--workers", type=int, nargs="+", default=[1, 2])
    one.add_argument("--cluster", action="store_true")
    two = kinds.add_parser("faults")
    two.add_argument("--photos", type=int, default=24)
    two.add_argument("--kills", type=int, default=20)
    two.add_argument("--seed", type=int, default=1)
    three = kinds.add_parser("patterns")
    three.add_argument("--runs", type=int, default=100)
    three.add_argument("--panels", type=int, default=200)
    three.add_argument("--seed", type=int, default=1)
    four = kinds.add_parser("photos")
    four.add_argument("--panels", type=int, default=60)
    four.add_argument("--seed", type=int, default=1)
    four.add_argument("--planted", nargs="+", default=list(PLANTED), choices=PLANTED)
    chosen = parser.parse_args(words)
    keep_to_one_thread()
    if chosen.bench == "patterns":
        patterns(chosen)
        return 0
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        {"throughput": throughput, "faults": faults, "photos": photos}[chosen.bench](chosen, folder)
        shutil.rmtree(folder / "shop", ignore_errors=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
