"""`python tests/bench NAME ...` or, from the root, `python -m tests.bench NAME ...`."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path

BENCHES = (
    "accuracy",
    "several",
    "mixups",
    "speed",
    "limit",
    "pictures",
    "make_samples",
    "history",
    "runs",
    "claims",
    "taught",
)


def main() -> int:
    """Run the named bench with the rest of the arguments; 2 where there is no such bench."""
    if len(sys.argv) < 2 or sys.argv[1] not in BENCHES:
        print(f"usage: python tests/bench {{{','.join(BENCHES)}}} ...", file=sys.stderr)
        return 2
    name = sys.argv.pop(1)
    # the benches' modules import each other by their plain names
    sys.path.insert(0, str(Path(__file__).parent))
    return int(importlib.import_module(name).main())


if __name__ == "__main__":
    sys.exit(main())
