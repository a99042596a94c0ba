"""Received bytes as rows, journal and latest values on one time axis, and conditions on them.

`timeline` continues the vehicle's clock over restarts, `decoding` makes a `Batch` of what came, `tables` says which
columns there are, `journal` is everything that is not a row of numbers. `conditions` looks at limits and interlocks,
`comparisons` reads them from TOML, `columns` is the binary form the page reads a recording from.
"""
