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
        "over the sum of all causes' odds. A finding counts by the gravest of its kind, divided by "
        "how many of its kind there are, times how sure it is; what is not sure counts for "
        "something else. A cause of several kinds gains.",
        "",
    )
    titles = {cause.cause: cause.title for cause in causes}
    for finding, group in groupby(chains, key=lambda chain: (chain.finding, chain.kind)):
        console.print()
        console.print(f"{finding[0]} {texts.kind_title(finding[1]).lower()}", style="bold")
        ranked = sorted(group, key=lambda chain: -chain.share)
        console.print(f"{ranked[0].counts:11.3g}  how much it counts")
        for chain in ranked:
            if chain.share < _LEAST_SHARE and chain.cause != SOMETHING_ELSE:
                continue
            title = titles.get(chain.cause, chain.cause)
            console.print(f"{100 * chain.share:3.0f} %  {title}")
            for part in chain.parts:
                print_hanging(
                    console, f"{part.name}. {part.because} ({part.origin})", f"{part.times:11.3g}  "
                )
    # behind its own reason stands what the log cannot tell yet
    for note in causes[-1].because[1:]:
        console.print()
        print_hanging(console, note, "")
