"""What the measure page says beside the recording steps: wiring, cautions, and what a good take looks like."""

from __future__ import annotations

from labkit.app.kit.text import table_html

RECORDING_CAUTIONS = (
    "The sweep is loud and rises to 20 kHz: headphones off the ears, loudspeakers disconnected, before it plays.",
    "Phantom power off before anything is connected, and direct monitoring off: it would feed the sweep back.",
    "Only the interface's own outputs and inputs: never an amplifier's speaker output, nothing open on the mains.",
    "A pickup is measured alone, disconnected from the instrument.",
)
"""Common practice, no source."""

WIRING_HTML = """<h2>Wire it</h2>
<ul class="lab-list">
<li>Output 1 of the interface to the source node; from there 220 kΩ (100 to 470 kΩ) to the pickup's hot lead.</li>
<li>Channel 1, a line input, at the source node. Channel 2, an instrument input (1 MΩ), at the pickup's hot lead.</li>
<li>The pickup's ground, and the grounds of output and inputs, together. Short leads; a metal box against hum.</li>
<li>Both channels should peak between −24 and −6 dB in the first take. Then touch no knob until the last one.</li>
</ul>"""

_GOOD = (
    ("Channels", "two, in one file: source and pickup", "one, or the same one twice"),
    ("Format", "WAV or FLAC, 24 bit or float, 44.1 kHz or more", "compressed, or below 44.1 kHz"),
    ("Length", "the whole sound, 10.3 s, with a second of silence before it", "cut before the third sweep ends"),
    ("Peaks", "−24 to −6 dB in the first take", "full scale, or below −45 dB"),
    ("Silence", "below −60 dB in channel 2, hum included", "hum within 20 dB of the sweep"),
    ("Sweeps", "0, 0 and −10 dB, to 0.05 dB", "another step: a gain control is on"),
    ("First and last take", "the same to 0.02 dB", "a gain was touched, or the interface is warming up"),
)

GOOD_TAKES_HTML = (
    "<details><summary>What a good take looks like</summary>"
    + table_html("A good take and a bad one", ("", "Good", "Not good"), _GOOD)
    + "</details>"
)
