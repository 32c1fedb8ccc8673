"""From findings to likely process causes."""

from .cause_map import FACTS, CauseMap, load_causes
from .ranking import rank_causes
from .table import CauseRow, cause_table

__all__ = ["FACTS", "CauseMap", "CauseRow", "cause_table", "load_causes", "rank_causes"]
