"""models/claim.toml: when which answer holds, and the sentences that support and customers read."""

from __future__ import annotations

from functools import lru_cache
from typing import Literal, get_args

from pydantic import ValidationInfo, field_validator

from ..data import models_folder
from ..judge.model_file import StrictTable, Threshold, TomlFile, Words, parse
from ..records import Kind

CLAIM_FILE = "claim.toml"

AnswerCode = Literal[
    "pressing",
    "printing",
    "handling",
    "mark",
    "reflection",
    "in_file",
    "soft_file",
    "cut_edge",
    "whole_print",
    "other_picture",
    "nothing_found",
    "cannot_tell",
]
CannotReason = Literal["outside", "hidden", "nothing_shown", "unclear", "not_placed"]
Ask = Literal[
    "closer",
    "another_place",
    "whole_panel",
    "hold_still",
    "more_light",
    "original",
    "wipe",
    "white",
    "ruler",
]


class Limits(StrictTable):
    """The numbers that decide between answers."""

    assumed_long_mm: Threshold
    least_inside: Threshold
    most_hidden: Threshold
    reflected: Threshold
    hidden_light: Threshold
    plain_light: Threshold
    bright_clipped: Threshold
    light_added: Threshold
    faint_light: Threshold
    veiled_l: Threshold
    reflection_likeness: Threshold
    own_likeness: Threshold
    own_contrast: Threshold
    own_unlike: Threshold
    own_unlike_share: Threshold
    scattered_snr: Threshold
    stands_out: Threshold
    mark_snr: Threshold
    differs_de00: Threshold
    tinted_de00: Threshold
    spot_snr: Threshold
    line_snr: Threshold
    streak_snr: Threshold
    straight_line: Threshold
    curled_line: Threshold
    white_share: Threshold
    dye_share: Threshold
    plain_dye_share: Threshold
    wide_line: Threshold
    straight_fold: Threshold
    crease_mm: Threshold
    fold_mm: Threshold
    line_mm: Threshold
    lift_mm: Threshold
    lint_mm: Threshold
    patch_elongation: Threshold
    patch_lobe: Threshold
    dent_lobe: Threshold
    speck_lobe: Threshold
    bare_mm: Threshold
    agrees_sure: Threshold
    soft_likeness: Threshold
    soft_mm: Threshold
    past_edge_mm: Threshold
    edge_reach_mm: Threshold
    dark_file: Threshold
    small_photo_px: Threshold
    small_speck_mm: Threshold
    doubtful_sure: Threshold
    unsure_kind_sure: Threshold


class AnswerWords(StrictTable):
    """One answer: its title and meaning for support, its paragraph for the customer, its sureness.

    `sure` is how often this answer was right where it was given; findings bring their own.
    """

    title: Words
    meaning: Words
    letter: Words | None = None
    sure: Threshold | None = None


class Reason(StrictTable):
    """Why a photo cannot tell, for support and for the customer, and which photos to ask for."""

    title: Words
    letter: Words
    asks: tuple[Ask, ...]
    sure: Threshold


class KindWords(StrictTable):
    """How a kind of finding is answered."""

    answer: AnswerCode
    letter: Words


class AskWords(StrictTable):
    """How to take a better photo: a title, a sentence."""

    title: Words
    text: Words


class Sentence(StrictTable):
    """One sentence, with names in braces."""

    text: Words


class ClaimFile(StrictTable):
    """The shape of models/claim.toml."""

    limit: Limits
    answer: dict[AnswerCode, AnswerWords]
    cannot: dict[CannotReason, Reason]
    kind: dict[Kind, KindWords]
    ask: dict[Ask, AskWords]
    ground: dict[str, Sentence]
    letter: dict[str, Sentence]
    also: dict[str, Sentence]
    unseen: dict[str, Sentence]
    checked: dict[str, Sentence]

    @field_validator("answer", "cannot", "kind", "ask")
    @classmethod
    def _complete(cls, value: dict[str, object], info: ValidationInfo) -> dict[str, object]:
        wanted = {"answer": AnswerCode, "cannot": CannotReason, "kind": Kind, "ask": Ask}
        missing = sorted(set(get_args(wanted[str(info.field_name)])) - set(value))
        if missing:
            raise ValueError(f"these entries are missing: {', '.join(missing)}")
        return value


@lru_cache(maxsize=1)
def load_claim_file() -> ClaimFile:
    """The file that ships with dyelight, read once. RulesError where it is broken."""
    return parse(ClaimFile, TomlFile.read(models_folder() / CLAIM_FILE))
