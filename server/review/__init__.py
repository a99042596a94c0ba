"""One recording opened, and what is taken home from it.

`review` opens and computes a recording once; `summary` (with `absent`), `compare`, `report` (with `events` and `svg_plot`),
`csv_export`, `parquet_export` and `track` (written by `tracks`) read from it. All of it is a function of the file alone.
"""
