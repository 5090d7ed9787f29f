"""A stage of the chain and a part of the harness may be of one kind; their names must still differ."""

from __future__ import annotations

import numpy as np

from labkit.core.sheet import Table
from labkit.rig.sheet import read_rig


def test_a_buffer_after_the_jack_gets_a_name_of_its_own_beside_a_buffer_inside() -> None:
    sheet = {
        "sheet": "rig",
        "format": 1,
        "name": "two buffers",
        "harness": "buffer after the volume",
        "pickups": {"bridge": "narrow single coil"},
        "chain": [
            {"kind": "buffer"},
            {"kind": "cable", "length": "3 m", "capacitance": "100 pF/m"},
            {"kind": "buffer"},
            {"kind": "input", "resistance": "1M"},
        ],
    }
    rig = read_rig(Table(sheet, "two buffers"))
    assert [stage.name for stage in rig.chain] == ["buffer2", "cable", "buffer3", "input"]
    assert np.all(np.isfinite(rig.evaluate(np.array([100.0]))))
