"""A four-second chord: made once, then rendered again after every turn of a knob; a slow direct route beside it."""

from __future__ import annotations

from itertools import cycle

import numpy as np
import pytest

from labkit.rig.sheet import load_rig
from labkit.sound.loudness import match_loudness
from labkit.sound.render.rendering import Renderer
from labkit.sound.render.rig_sound import coil_spots, coil_transfers
from labkit.sound.take.sheet import load_take
from labkit.sound.take.take import synthesise
from tests.benchmarks.conftest import Timed, cpu_seconds

pytestmark = pytest.mark.benchmark(timer=cpu_seconds)

CHORD = load_take("E chord")
SAMPLES = 4 * 48_000
MAKING = "making a four-second chord, one coil"


@pytest.mark.parametrize("name", ["Saltmarsh Lane, narrow single coil", "Saltmarsh Lane, two pickups"])
@pytest.mark.parametrize("matched", [False, True])
def test_rendering_again_after_a_knob_change(timed: Timed, name: str, matched: bool) -> None:
    rig = load_rig(name)
    renderer = Renderer(synthesise(CHORD, coil_spots(rig)))
    knob = cycle(np.linspace(10, 6, 9))
    turned: list[np.ndarray] = []

    def render() -> np.ndarray:
        changed = rig.replace(settings={"volume": float(next(knob))})
        turned.append(renderer.render(coil_transfers(changed, renderer.take.coils)))
        return turned[-1]

    group = f"a four-second chord through '{name}'"
    if matched:
        timed(group, "render again and match loudness", SAMPLES, lambda: match_loudness({"now": render()}, 48_000))
    else:
        timed(group, "render again", SAMPLES, render)
    assert not np.array_equal(turned[0], turned[1])  # the knob was really turned


def test_making_the_take(timed: Timed) -> None:
    spots = coil_spots(load_rig("Saltmarsh Lane, narrow single coil"))
    take = timed(MAKING, "two-level powers, all partials", SAMPLES, lambda: synthesise(CHORD, spots))
    assert take.emf.shape == (1, SAMPLES)


def test_summing_sines_directly(timed: Timed) -> None:
    t = np.arange(SAMPLES) / 48_000

    def direct() -> np.ndarray:
        sound = np.zeros(SAMPLES)
        for n in range(1, 41):
            sound += np.exp(-0.5 * t) * np.sin(2 * np.pi * n * 82.4 * t)
        return sound

    sound = timed(MAKING, "exp·sin, 40 partials only", SAMPLES, direct, note="a fifteenth of the partials", rounds=3)
    assert sound.shape == (SAMPLES,)
