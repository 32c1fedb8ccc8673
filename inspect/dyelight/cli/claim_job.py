"""From file names and a place to an answer with its files, and the answer on the terminal."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from ..causes import load_causes
from ..claim import Claim, ClaimFile, answer_claim, load_claim_file
from ..claim import words as wording
from ..claim.page import claim_html, claim_text
from ..intake import read_artwork, read_photo
from ..judge import load_acceptance, load_rules
from ..records import Photo
from ..report.outputs import make_folder, refuse_unwritable, write_together
from ..settings import Settings
from .console import data_console
from .exits import PASS, RETAKE, visible
from .tables import print_hanging

PAGE, DATA = "claim.html", "claim.json"


@dataclass(frozen=True, slots=True)
class ClaimJob:
    """What the command was given: files, a place in the first photo, the case's name."""

    photos: tuple[Path, ...]
    artwork: Path
    at: str | None = None
    box: str | None = None
    case: str = ""


@dataclass(frozen=True, slots=True)
class DoneClaim:
    """A claim with the words it is told in, and the photos as they were read."""

    photos: tuple[Photo, ...]
    claim: Claim
    words: ClaimFile
    case: str

    def text(self) -> str:
        """The claim as JSON."""
        return claim_text(self.claim, self.words, self.case)


def run_claim(job: ClaimJob, settings: Settings) -> DoneClaim:
    """Read rules, then files, and answer.

    Raises the errors of all of these: what costs least to find out is found out first.
    """
    words = load_claim_file()
    rules = load_rules(settings.rules)
    acceptance = load_acceptance(settings.acceptance, rules)
    causes = load_causes(settings.causes, rules)
    if settings.out is not None:
        refuse_unwritable(settings.out)
    width_mm, height_mm = settings.size_mm or (None, None)
    artwork = read_artwork(
        job.artwork, width_mm, height_mm, bleed_mm=settings.bleed, base=settings.base
    )
    photos = tuple(read_photo(path) for path in job.photos)
    claim = answer_claim(
        photos,
        artwork,
        job.at,
        job.box,
        rules=rules,
        acceptance=acceptance,
        causes=causes,
        words=words,
    )
    return DoneClaim(photos, claim, words, job.case)


def written(done: DoneClaim, folder: Path | None) -> tuple[Path, ...]:
    """Write page and data into `folder`, both or none; nothing where it is None."""
    if folder is None:
        return ()
    contents = {
        PAGE: claim_html(done.claim, done.words, done.case).encode("utf-8", "replace"),
        # a file name may hold bytes that are no text; as backslash escapes they are still JSON
        DATA: done.text().encode("utf-8", "backslashreplace"),
    }
    make_folder(folder)
    write_together(folder, contents)
    return folder / PAGE, folder / DATA


def exit_code(claim: Claim) -> int:
    """0 where there is an answer, 4 where the photos cannot carry one."""
    return RETAKE if claim.answer.code == "cannot_tell" else PASS


def print_claim(done: DoneClaim, paths: tuple[Path, ...]) -> None:
    """The answer first, then its grounds, the letter, and where the files lie."""
    claim, words = done.claim, done.words
    console = data_console()
    title = wording.answer_title(claim, words)
    console.print(visible(title), style="bold")
    print_hanging(console, words.answer[claim.answer.code].meaning, "")
    print_hanging(console, f"{wording.sure_words(claim)}.", "")
    if claim.answer.grounds:
        console.print()
        console.print("Why", style="bold")
    for ground in claim.answer.grounds:
        text, value, limit = wording.ground_row(ground, claim, words)
        print_hanging(console, f"{text}: {value}" + (f" (limit {limit})" if limit else ""), " - ")
    console.print()
    console.print("An answer to send", style="bold")
    for paragraph in wording.letter(claim, words):
        lead = "   - " if paragraph.startswith("- ") else "   "
        print_hanging(console, paragraph.removeprefix("- "), lead)
    console.print()
    console.print("What this photo cannot show", style="bold")
    for line in wording.unseen(claim, words):
        print_hanging(console, line, " - ")
    if paths:
        console.print()
        console.print("Files", style="bold")
        for path in paths:
            # soft_wrap keeps a long path in one piece, to be clicked or copied
            console.print(f"  {visible(str(path))}", soft_wrap=True)
