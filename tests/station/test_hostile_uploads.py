"""Files that nobody should send: each is refused in words, and the station stays as it was."""

from __future__ import annotations

import http.client
import io
import secrets
import socket
import struct
import time
import zlib
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from dyelight.station.jobs import job_id

from .conftest import CALM, Device, Running, StartStation, files_with, sample

MB = 2**20
SLOW = replace(CALM, photo_bytes=4 * MB, slow_seconds=1.0, upload_seconds=6.0, checks_waiting=1000)


@pytest.fixture(scope="module")
def target(start_station: StartStation) -> Running:
    """A station with short patience and small limits, in a folder of its own."""
    running = start_station(limits=SLOW, workers=2)
    # everything is loaded before memory is measured
    device = running.device()
    assert device.send(sample("MF-2042")).status == 201
    return running


def picture(kind: str, size: tuple[int, int] = (160, 120), seed: int = 1) -> bytes:
    """A small picture of smooth noise in one of the formats."""
    rng = np.random.default_rng(seed)
    coarse = Image.fromarray(rng.integers(0, 255, (12, 16, 3), np.uint8))
    data = io.BytesIO()
    coarse.resize(size, Image.Resampling.BICUBIC).save(data, kind)
    return data.getvalue()


def resident_mb(pid: int | str = "self") -> float:
    """Memory of a process that is really in use."""
    pages = int(Path(f"/proc/{pid}/statm").read_text(encoding="ascii").split()[1])
    return pages * 4096 / MB


def png_chunk(kind: bytes, data: bytes) -> bytes:
    """One chunk with its checksum."""
    body = kind + data
    return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))


def png(width: int, height: int, idat: bytes, more: bytes = b"", colour: int = 0) -> bytes:
    """A PNG with any header and data."""
    head = struct.pack(">IIBBBBB", width, height, 8, colour, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + png_chunk(b"IHDR", head)
        + more
        + png_chunk(b"IDAT", idat)
        + png_chunk(b"IEND", b"")
    )


def mutated(data: bytes, rng: np.random.Generator) -> bytes:
    """One of six kinds of damage."""
    held = bytearray(data)
    kind = rng.integers(6)
    if kind == 0:
        return bytes(held[: rng.integers(1, len(held))])
    if kind == 1:
        for at in rng.integers(0, len(held), rng.integers(1, 40)):
            held[at] = rng.integers(256)
    elif kind == 2:
        at = int(rng.integers(0, len(held)))
        held[at : at + int(rng.integers(1, 200))] = rng.bytes(int(rng.integers(0, 400)))
    elif kind == 3:
        # the head, where sizes and counts lie
        for at in rng.integers(0, min(200, len(held)), 6):
            held[at] = rng.choice([0, 1, 127, 128, 254, 255])
    elif kind == 4:
        start, end = sorted(rng.integers(0, len(held), 2))
        held = held[:end] + held[start:end] * int(rng.integers(1, 6)) + held[end:]
    else:
        at = int(rng.integers(0, len(held) - 4))
        held[at : at + 4] = struct.pack(">I", int(rng.integers(2**32)))
    return bytes(held)


def test_500_damaged_files_leave_the_station_as_it_was(target: Running) -> None:
    """Each is refused in words or taken as the picture that it still is; memory stays flat."""
    rng = np.random.default_rng(20)
    sources = [picture(kind) for kind in ("JPEG", "PNG", "WEBP", "TIFF")]
    device = target.device()
    outcomes: Counter[str] = Counter()
    taken: list[str] = []
    before = looker = 0.0
    for number in range(500):
        answer = device.send(mutated(sources[number % 4], rng))
        if answer.status == 201:
            outcomes["taken"] += 1
            taken.append(answer.data["check"])
        else:
            assert answer.status in (400, 415, 422), answer.body
            assert len(answer.words) > 20
            assert "Traceback" not in answer.words
            assert str(target.folder) not in answer.words
            outcomes[answer.data["trouble"][:50]] += 1
        if number == 60:
            before = resident_mb()
            looker = max(resident_mb(pid) for pid in target.desk.lookers.pids())
    assert outcomes["taken"] < 400
    assert len(outcomes) > 5
    for check in taken:
        assert device.verdict(check)["state"] in ("done", "failed")
    assert resident_mb() - before < 40
    assert max(resident_mb(pid) for pid in target.desk.lookers.pids()) - looker < 80
    _settled(target)
    assert device.ask("GET", "/alive").status == 204


def _settled(target: Running) -> None:
    """No photo as it was sent lies about any more."""
    # what other tests sent may still wait for a worker on a busy machine
    until = time.monotonic() + 120
    while target.kept_photos() and time.monotonic() < until:
        time.sleep(0.05)
    assert target.kept_photos() == []


def _bombs() -> dict[str, tuple[bytes, str]]:
    zeros = zlib.compress(bytes(30 * MB), 9)
    jpeg = bytearray(picture("JPEG"))
    at = jpeg.index(b"\xff\xc0")
    jpeg[at + 5 : at + 9] = struct.pack(">HH", 65500, 65500)
    webp = bytearray(picture("WEBP"))
    at = webp.index(b"VP8 ") + 14
    webp[at : at + 4] = struct.pack("<HH", 16383, 16383)
    tiff = bytearray(picture("TIFF"))
    at = tiff.index(b"\x17\x01\x04\x00")  # how many bytes each strip has
    tiff[at + 8 : at + 12] = struct.pack("<I", 2**32 - 16)
    profile = png_chunk(b"iCCP", b"x\0\0" + zlib.compress(bytes(200 * MB), 9))
    return {
        "PNG of 3,600 MP": (png(60000, 60000, zeros), "MP; the most is 50 MP"),
        "PNG of 4 billion pixels a side": (png(2**31 - 1, 2**31 - 1, zeros), "the most is 50 MP"),
        "PNG without width": (png(0, 10, zeros), "no pixels"),
        "JPEG that says 65,500 px a side": (bytes(jpeg), "the most is 50 MP"),
        "WebP that says 16,383 px a side": (bytes(webp), ""),
        "PNG with more data than pixels": (png(100, 100, zeros), ""),
        "PNG with a profile of 200 MB": (png(64, 64, zlib.compress(bytes(65 * 64)), profile), ""),
        "TIFF with strips of 4 GB": (bytes(tiff), ""),
    }


@pytest.mark.parametrize("name", list(_bombs()))
def test_bombs_do_not_go_off(target: Running, name: str) -> None:
    """Files that promise more pixels than they should are refused before any is unpacked."""
    data, words = _bombs()[name]
    device = target.device()
    before = max(resident_mb(pid) for pid in target.desk.lookers.pids())
    began = time.monotonic()
    answer = device.send(data)
    assert time.monotonic() - began < 10
    if words:
        assert answer.status == 422
        assert words in answer.words
    else:
        # harmless once the limits hold: read as the small picture it is, or refused
        assert answer.status in (201, 422)
    assert max(resident_mb(pid) for pid in target.desk.lookers.pids()) - before < 150
    assert device.ask("GET", "/alive").status == 204


WRONG = {
    "nothing": (b"", 400, "empty"),
    "text": (b"just some words", 415, "no photo"),
    "a page": (b"<!doctype html><script>alert(1)</script>" * 40, 415, "no photo"),
    "a drawing": (b"<svg xmlns='http://www.w3.org/2000/svg'></svg>", 415, "no photo"),
    "a GIF": (b"GIF89a" + bytes(2000), 415, "no photo"),
    "a BMP": (b"BM" + bytes(2000), 415, "no photo"),
    "a program": (b"\x7fELF" + bytes(2000), 415, "no photo"),
    "an archive": (b"PK\x03\x04" + bytes(2000), 415, "no photo"),
    "a PDF": (b"%PDF-1.7\n" + bytes(2000), 415, "PDF"),
    "a PDF that is a JPEG too": (b"%PDF-1.7\n" + picture("JPEG"), 415, "PDF"),
    "a script that is a GIF too": (b"GIF89a/*" + bytes(40) + b"*/=1;alert(1)", 415, "no photo"),
    "a film": (b"\x00\x00\x00\x18ftypmp42" + bytes(2000), 415, "no photo"),
    "the head of a JPEG": (b"\xff\xd8\xff", 422, "cannot be decoded"),
    "the head of a PNG": (b"\x89PNG\r\n\x1a\n", 422, "ends too soon"),
    "a JPEG cut in two": (sample("MF-2042")[:40000], 422, "ends too soon"),
}


@pytest.mark.parametrize("name", list(WRONG))
def test_wrong_types_are_told_by_their_content(target: Running, name: str) -> None:
    """What the bytes are decides, never a name or what the sender calls them."""
    data, status, words = WRONG[name]
    answer = target.device().send(data)
    assert answer.status == status
    assert words in answer.words
    _settled(target)


def test_what_hides_behind_a_photo_is_not_kept(target: Running) -> None:
    """A JPEG that is a page and an archive too is taken as the photo, and only as that."""
    hidden = b"<script>alert('kept')</script>PK\x03\x04"
    photo = picture("JPEG", (640, 480))
    with_comment = photo[:2] + b"\xff\xfe" + struct.pack(">H", len(hidden) + 2) + hidden + photo[2:]
    device = target.device()
    sent = device.send(with_comment + hidden * 100)
    assert sent.status == 201
    assert device.verdict(sent.data["check"])["state"] in ("done", "failed")
    _settled(target)
    assert files_with(target.folder, b"alert('kept')") == []


@pytest.mark.parametrize(
    "key",
    ["..%2f..%2fetc%2fpasswd", "A" * 32, "0" * 31, "0" * 33, "0" * 30 + "%00a", "%2e%2e", "0/1"],
)
def test_keys_that_are_paths_are_no_keys(target: Running, key: str) -> None:
    """Only our own kind of number is a photo's key."""
    answer = target.device().send(picture("JPEG"), key=key)
    assert answer.status == 404


def test_jobs_and_checks_that_are_paths_do_not_exist(target: Running) -> None:
    """Whatever is asked for is looked up among what we have."""
    device = target.device()
    for query in ("job=../../etc/passwd", "job=", "job=%00", f"job={job_id('MF-2042')}&again=../x"):
        answer = device.ask("PUT", f"/photos/{secrets.token_hex(16)}?{query}", picture("JPEG"))
        assert answer.status == 404
    before = sorted(path.name for path in target.folder.iterdir())
    headers = {"Content-Disposition": 'attachment; filename="../../../../etc/x.jpg"'}
    path = f"/photos/{secrets.token_hex(16)}?job={job_id('MF-2042')}"
    assert device.ask("PUT", path, picture("JPEG"), headers).status == 201
    assert sorted(path.name for path in target.folder.iterdir()) == before
    assert all(
        set(place.name) <= set("0123456789abcdef") for place in (target.folder / "checks").iterdir()
    )


def _opened(device: Device, headers: dict[str, str]) -> http.client.HTTPConnection:
    """A line on which the head of a photo was sent."""
    line = http.client.HTTPConnection("127.0.0.1", device.port, timeout=30)
    path = f"/photos/{secrets.token_hex(16)}?job={job_id('MF-2042')}"
    line.putrequest("PUT", path)
    sent = {
        "Cookie": device.cookie,
        "Origin": device.origin,
        "X-Station-Token": device.token,
        "Content-Type": "application/octet-stream",
    }
    for name, value in {**sent, **headers}.items():
        line.putheader(name, value)
    line.endheaders()
    return line


def test_a_gigabyte_is_refused_by_its_head(target: Running) -> None:
    """What says that it is too large is not even read."""
    line = _opened(target.device(), {"Content-Length": str(2**30)})
    answer = line.getresponse()
    assert answer.status == 413
    assert b"over 4 MB" in answer.read()
    line.close()


@pytest.mark.parametrize("length", ["-1", "1e9", "4 MB"])
def test_lengths_that_are_none_are_refused(target: Running, length: str) -> None:
    """A length must be a number."""
    line = _opened(target.device(), {"Content-Length": length})
    assert line.getresponse().status == 400
    line.close()


def test_a_gigabyte_without_a_length_is_cut_at_the_limit(target: Running) -> None:
    """A stream that does not say its length ends at the limit; memory does not grow with it."""
    device = target.device()
    before = resident_mb()
    line = _opened(device, {"Transfer-Encoding": "chunked"})
    block = bytearray(picture("JPEG").ljust(64 * 1024, b"\0"))
    sent = 0
    try:
        while sent < 2**30:
            line.send(b"%x\r\n" % len(block) + block + b"\r\n")
            sent += len(block)
            block[:3] = b"\0\0\0"
    except OSError:
        pass
    assert sent < 64 * MB
    try:
        answer = line.getresponse()
        assert answer.status == 413
    except (ConnectionError, http.client.HTTPException):
        # a line that was closed while we still wrote may take its answer along
        pass
    line.close()
    assert resident_mb() - before < 30
    _settled(target)
    assert device.ask("GET", "/alive").status == 204


def test_a_photo_that_is_a_little_too_large_hears_why(target: Running) -> None:
    """The answer arrives although not all was taken."""
    answer = target.device().send(sample("MF-2042") + bytes(6 * MB))
    assert answer.status == 413
    assert "with fewer megapixels" in answer.words


def test_slow_senders_are_told_and_cut(target: Running) -> None:
    """A photo that drips is refused, and what came of it is thrown away."""
    line = _opened(target.device(), {"Content-Length": "1000000"})
    began = time.monotonic()
    line.send(picture("JPEG")[:1200])
    held = line.sock
    assert held is not None
    held.settimeout(0.2)
    answered = b""
    while b"too slowly" not in answered and time.monotonic() - began < 15:
        try:
            if b"408" not in answered:
                line.send(b"\0" * 50)
            part = held.recv(4096)
        except TimeoutError:
            continue
        except OSError:
            break
        if not part:
            break
        answered += part
    line.close()
    assert b"408" in answered
    assert b"too slowly" in answered
    assert time.monotonic() - began < 12
    _settled(target)


def test_whoever_hangs_up_leaves_nothing_behind(target: Running) -> None:
    """A phone that drops out in mid-upload leaves no part of a photo."""
    data = sample("MF-2042")
    for share in (0.001, 0.3, 0.9):
        line = _opened(target.device(), {"Content-Length": str(len(data))})
        line.send(data[: int(len(data) * share)])
        line.close()
    _settled(target)
    assert target.device().send(data).status == 201


def test_more_photos_than_the_rate_allows_wait(start_station: StartStation) -> None:
    """A device that sends too many is told to wait; another one is not."""
    limits = replace(CALM, photos_per_minute=6, photos_burst=3)
    running = start_station(limits=limits, workers=1)
    device, other = running.device(), running.device()
    answers = [device.send(b"\xff\xd8\xff") for _ in range(5)]
    assert [answer.status for answer in answers] == [422, 422, 422, 429, 429]
    assert int(answers[-1].headers["retry-after"]) >= 1
    assert other.send(b"\xff\xd8\xff").status == 422


def test_a_full_desk_says_so(start_station: StartStation) -> None:
    """Beyond so many waiting checks, photos are sent back to wait in the phones."""
    running = start_station(limits=replace(CALM, checks_waiting=0), workers=1)
    answer = running.device().send(picture("JPEG"))
    assert answer.status == 503
    assert "sent again by itself" in answer.words


def test_bytes_that_are_no_http_do_no_harm(target: Running) -> None:
    """Rubbish on the line ends that line."""
    rng = np.random.default_rng(3)
    for _ in range(30):
        with socket.create_connection(("127.0.0.1", target.port), timeout=5) as line:
            line.sendall(rng.bytes(int(rng.integers(1, 3000))) + b"\r\n\r\n")
            line.shutdown(socket.SHUT_WR)
            while True:
                try:
                    if not line.recv(4096):
                        break
                except ConnectionError:
                    break
    assert target.device().ask("GET", "/alive").status == 204
