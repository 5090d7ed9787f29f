"""The listening side: strings and takes, rendering, conversion, impulse responses, loudness and the blind test.

Everything here works from callables ``evaluate(frequency_hz) -> complex`` and arrays; `rig_sound` alone knows rigs.
"""
