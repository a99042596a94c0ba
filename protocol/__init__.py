"""The wire, pure: framing, packets, the dictionary, commands, and the rules of both ends.

`framing` cuts and stuffs, `packets` reads headers, `dictionary` says what is in them, `link` is the ground's end and
`vehicle` the other, `bulk` reads a whole recording by the same rules. Other formats: `framing_tables` reads
`[framing]`, `text_lines` and `binary_records` cut and read, `foreign` is what they have in common; `link` does
counts, clock and restarts for all three, so everything behind it is the same. WIRE.md says every byte and every key.
"""
