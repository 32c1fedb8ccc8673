"""From candidates to named findings and the panel's verdict."""

from .acceptance import breaches, graded, judge_panel
from .model_file import rules_sha256
from .naming import name_candidates, standings
from .rules import Rules, load_rules
from .spec import AcceptanceSpec, acceptance_names, load_acceptance

__all__ = [
    "AcceptanceSpec",
    "Rules",
    "acceptance_names",
    "breaches",
    "graded",
    "judge_panel",
    "load_acceptance",
    "load_rules",
    "name_candidates",
    "rules_sha256",
    "standings",
]
