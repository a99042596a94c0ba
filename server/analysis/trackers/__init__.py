"""What the station understands of the packets, one subject per module; `server.analysis.analysis` runs them all.

A tracker takes batches of any size, keeps all state between them, and adds computed rows and journal entries to a
`TrackerOutput`. Nothing in it may depend on where one batch ends and the next begins.
"""
