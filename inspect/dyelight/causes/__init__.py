"""From findings to likely process causes."""

from .cause_map import FACTS, CauseMap, load_causes
from .ranking import Chain, explain_causes, rank_causes
from .table import CauseRow, cause_table

__all__ = [
    "FACTS",
    "CauseMap",
    "CauseRow",
    "Chain",
    "cause_table",
    "explain_causes",
    "load_causes",
    "rank_causes",
]
