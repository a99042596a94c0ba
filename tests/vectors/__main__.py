"""Write the vectors anew: `python -m tests.vectors`."""

from __future__ import annotations

from tests.vectors.make import FOLDER, vectors, written

for name, cases in vectors().items():
    (FOLDER / f"{name}.json").write_text(written(cases), "utf-8")
