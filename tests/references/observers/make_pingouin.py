"""Intraclass correlations by pingouin (GPL-3, so no dependency), kept as a table: python make_pingouin.py > pingouin.json

Needs an environment of its own: pip install pingouin==0.7.0
"""

from __future__ import annotations

import datetime
import json

import numpy as np
import pandas as pd
import pingouin

SHAPES = (
    (6, 2, 3.0, 1.0, 1.0),
    (10, 3, 10.0, 2.0, 3.0),
    (25, 4, 1.0, 0.1, 0.2),
    (8, 5, 0.3, 0.1, 2.0),
    (40, 2, 5.0, 0.0, 1.0),
)
SHROUT = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]


def tables() -> dict[str, list[list[float]]]:
    rng = np.random.default_rng(20261127)
    out = {"Shrout & Fleiss 1979": SHROUT}
    for n, k, subject, observer, error in SHAPES:
        values = 20.0 + rng.normal(0, subject, (n, 1)) + rng.normal(0, observer, (1, k)) + rng.normal(0, error, (n, k))
        out[f"{n} subjects, {k} observers"] = np.round(values, 3).tolist()
    return out


def main() -> None:
    pingouin.options["round.column.CI95"] = 10
    said = []
    for name, values in tables().items():
        long = pd.DataFrame(
            [(s, o, v) for s, row in enumerate(values) for o, v in enumerate(row)], columns=["s", "o", "v"]
        )
        found = pingouin.intraclass_corr(long, targets="s", raters="o", ratings="v")
        forms = {row["Type"]: [float(row["ICC"]), *(float(v) for v in row["CI95"])] for _, row in found.iterrows()}
        said.append({"name": name, "values": values, "forms": forms})
    made = {"program": f"pingouin {pingouin.__version__}", "made_on": str(datetime.date.today()), "tables": said}
    print(json.dumps(made, indent=1))


if __name__ == "__main__":
    main()
