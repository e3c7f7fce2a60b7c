"""The evidence page: figures on phantoms of known truth, each beside its goal."""

import sys
from pathlib import Path

# The benches and the films they are run on are scripts, no packages.
for folder in (Path(__file__).parents[1], Path(__file__).parents[2] / "references"):
    if str(folder) not in sys.path:
        sys.path.insert(0, str(folder))
