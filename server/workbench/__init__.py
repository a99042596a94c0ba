"""What a builder runs before anything flies.

`conformance` asks a vehicle on the bench, `dictionary_draft` and `dictionary_lint` help to write a dictionary,
`doctor` looks at this computer.
"""
