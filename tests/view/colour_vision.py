"""How far two colours lie apart for an eye: ΔE*ab of CIE 1976, for normal sight and three dichromacies.

The matrices are those of Machado, Oliveira and Fernandes, “A physiologically-based model for simulation of color vision
deficiency”, IEEE Transactions on Visualization and Computer Graphics 15 (2009), table 1 at severity 1.0; they act on
linear RGB. sRGB by IEC 61966-2-1, white D65.
"""

from __future__ import annotations

import numpy as np

VISIONS = {
    "normal": np.eye(3),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritanopia": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}
_XYZ = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
)
_WHITE = np.array([0.95047, 1.0, 1.08883])


def seen(colour: str, vision: str = "normal") -> np.ndarray:
    """Return L*, a*, b* of ``#RRGGBB`` as an eye sees it."""
    parts = np.array([int(colour[index : index + 2], 16) / 255 for index in (1, 3, 5)])
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    relative = _XYZ @ np.clip(VISIONS[vision] @ linear, 0, 1) / _WHITE
    bent = np.where(relative > (6 / 29) ** 3, np.cbrt(relative), relative / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * bent[1] - 16, 500 * (bent[0] - bent[1]), 200 * (bent[1] - bent[2])])


def difference(one: str, other: str, vision: str = "normal") -> float:
    """Return ΔE*ab of two colours.

    >>> round(difference("#000000", "#FFFFFF"))
    100
    """
    return float(np.linalg.norm(seen(one, vision) - seen(other, vision)))
