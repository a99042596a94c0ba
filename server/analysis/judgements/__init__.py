"""What can be said of a flight once a part of it is over: one module per subject, each a pure function of a `Case`.

`server.analysis.judging` decides when each is due; `server.analysis.findings` turns figures into sentences of warning.
"""
