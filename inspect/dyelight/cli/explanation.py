"""The numbers behind the causes' weights, on the terminal."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from ..causes import Chain
from ..causes.cause_map import SOMETHING_ELSE
from ..judge import texts
from ..records import Cause
from .console import data_console
from .tables import print_hanging

_LEAST_SHARE = 0.02


def print_explanation(chains: Sequence[Chain], causes: Sequence[Cause]) -> None:
    """Print how each finding's causes came to their shares, the largest first.

    `causes` are the panel's, for their titles.
    """
    console = data_console()
    console.print()
    console.print("How the weights came about", style="bold")
    if not chains:
        console.print("Nothing was found, so there is nothing to explain.")
        return
    print_hanging(
        console,
        "A cause's odds are the product of the numbers before its reasons. Its share is its odds "
        "over the sum of all causes' odds. Findings of a kind are averaged, and kinds count by "
        "their gravest finding.",
        "",
    )
    titles = {cause.cause: cause.title for cause in causes}
    for finding, group in groupby(chains, key=lambda chain: (chain.finding, chain.kind)):
        console.print()
        console.print(f"{finding[0]} {texts.kind_title(finding[1]).lower()}", style="bold")
        ranked = sorted(group, key=lambda chain: -chain.share)
        for chain in ranked:
            if chain.share < _LEAST_SHARE and chain.cause != SOMETHING_ELSE:
                continue
            title = titles.get(chain.cause, chain.cause)
            console.print(f"{100 * chain.share:3.0f} %  {title}")
            for part in chain.parts:
                print_hanging(
                    console, f"{part.name}. {part.because} ({part.origin})", f"{part.times:11.3g}  "
                )
