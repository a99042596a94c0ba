"""One recording opened, and what is taken home from it.

`review` opens and computes a recording once; `summary`, `compare`, `report` (with `svg_plot`), `csv_export`,
`parquet_export` and `tracks` read from it. All of it is a function of the file alone.
"""
