"""The bench: from a measured sweep and a few readings to a pickup sheet and a verdict.

`sweep` and `sweep_reader` bring curves in, `recording` makes them from what a sound interface recorded, `fixture` says
how they were taken, `model` predicts what the fixture shows of a coil, `fit` turns one into the other. `meter` and
`field` hold single readings, `diagnose` compares a plan with readings, `sets` balances pickups, `reproduce` looks for
the build behind an original.
"""
