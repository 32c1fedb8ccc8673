"""A customer's photo against the printed file: what is at the place pointed to, and why."""

from .answer_file import ClaimFile, load_claim_file
from .claim import Claim, answer_claim
from .records import Answer, Ground

__all__ = ["Answer", "Claim", "ClaimFile", "Ground", "answer_claim", "load_claim_file"]
