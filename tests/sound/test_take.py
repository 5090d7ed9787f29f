"""Takes measured from their WAV files: partial frequencies, comb patterns, levels, decay, repeatability."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from labkit.core.errors import InputError
from labkit.core.wav import write_wav
from labkit.pickup.predict.output import transducers
from labkit.sound.loudness import peak_db
from labkit.sound.strings import String, StringSet, string_set
from labkit.sound.take.motion import decaying_sines
from labkit.sound.take.performance import Decay, NoteVariation, Performance, Pluck
from labkit.sound.take.take import CoilSpot, Take, synthesise, usual_spots
from tests.sound.recordings import read_wav
from tests.sound.signals import RATE, amplitude_at, line_near

INCH = 0.0254
SCALE = 25.5 * INCH
EVEN_DECAY = Decay(constant=1.0, square=0.0)
"""All partials alike, so that ratios of partials at any time are ratios of their strengths."""

PLUCK_FRACTION = 0.011
"""Where the test string is plucked: no partial below the 90th has a node there."""


def ideal_string(scale: float = SCALE, open_hz: float = 82.4) -> StringSet:
    """A string of hardly any stiffness (0.01 mm core), to which ideal-string figures apply."""
    string = String(name="ideal", open_hz=open_hz, diameter=1.2e-3, core_diameter=1e-5, mass_per_length=6.8e-3)
    return StringSet(name="ideal", strings=(string,), scale=scale)


def one_note(strings: StringSet, *, decay: Decay = EVEN_DECAY, string: int = 1, seconds: float = 4.0) -> Performance:
    pluck = Pluck(at_s=0, string=string, position=PLUCK_FRACTION * strings.scale, width=0.0, decay=decay)
    return Performance(name="one note", strings=strings, plucks=(pluck,), duration_s=seconds)


def through_wav(folder: Path, take: Take, row: int = 0) -> np.ndarray:
    """The take as a person gets it: written to 24 bits and read back, at −1 dB peak."""
    sound = take.emf[row] * 10 ** ((-1 - peak_db(take.emf[row])) / 20)
    write_wav(folder / f"take{row}.wav", sound, take.rate)
    return read_wav(folder / f"take{row}.wav").samples[0]


def comb_levels(signal: np.ndarray, rate: int, f0: float, numbers: list[int]) -> np.ndarray:
    """Levels of partials with the pluck's own sin(nπp)/n taken away, dB."""
    pluck = [abs(math.sin(n * math.pi * PLUCK_FRACTION)) / n for n in numbers]
    return np.array([20 * math.log10(amplitude_at(signal, rate, n * f0) / p) for n, p in zip(numbers, pluck)])


@pytest.mark.parametrize("number", [1, 3, 6])
def test_partials_in_the_wav_lie_where_the_stiff_string_formula_puts_them(tmp_path: Path, number: int) -> None:
    strings = string_set("six strings 10-46")
    take = synthesise(one_note(strings, string=number), {"a": CoilSpot(position=0.037, aperture=0.0)})
    sound = through_wav(tmp_path, take)
    string = strings[number]
    f0 = string.open_hz
    pull = string.mass_per_length * (2 * strings.scale * f0) ** 2
    moment = 5 * math.sqrt(3) / 144 if string.is_wound else math.pi / 64  # hexagonal core, round wire
    b = math.pi**2 * 200e9 * moment * string.stiff_diameter**4 / (pull * strings.scale**2)
    for n in (1, 2, 3, 5, 10, 20, 30):
        expected = n * f0 * math.sqrt((1 + b * n * n) / (1 + b))  # the first partial is the tuned note
        # 4 s resolve 0.25 Hz; the parabola over a smooth window finds a lone line to 1 % of that.
        assert line_near(sound, RATE, expected, 4.0) == pytest.approx(expected, abs=0.003)


def test_comb_of_a_neck_pickup_has_the_published_levels(tmp_path: Path) -> None:
    # Case "comb_pattern_neck_pickup": 6.0625 in from the bridge of a 25.5 in scale, |sin(nπx)| in dB.
    published = {
        1: -3.3579242,
        2: -0.025774684,
        3: -2.1149559,
        4: -16.283965,
        8: -10.366772,
        12: -7.0183999,
        13: -11.023993,
        16: -4.7648426,
        17: -17.686047,
        21: -32.728553,
    }
    strings = ideal_string()
    sound = through_wav(
        tmp_path, synthesise(one_note(strings), {"neck": CoilSpot(position=6.0625 * INCH, aperture=0.0)})
    )
    numbers = list(published)
    measured = comb_levels(sound, RATE, 82.4, numbers)
    wanted = np.array(list(published.values()))
    # The case allows 0.02 dB; only differences count, since a WAV has no absolute level.
    assert np.max(np.abs((measured - measured[1]) - (wanted - wanted[1]))) < 0.02


@pytest.mark.parametrize(
    ("inches", "first_peak_hz", "null_spacing_hz"),
    [(6.375, 165.0, 330.0), (3.875, 271.0, 542.2), (1.625, 646.5, 1293.0)],
)
def test_place_read_from_the_wav_gives_the_published_peak_and_null_spacing(
    tmp_path: Path, inches: float, first_peak_hz: float, null_spacing_hz: float
) -> None:
    # "Response Effects of Guitar Pickup Mixing" (2000): 25.5 in scale, E2 82.4 Hz; printed 165, 330 and 271 Hz for the
    # first two, the rest from null spacing = f0·ℓ/d as in that article.
    strings = ideal_string()
    sound = through_wav(
        tmp_path, synthesise(one_note(strings, seconds=1.5), {"a": CoilSpot(position=inches * INCH, aperture=0.0)})
    )
    numbers = list(range(1, 31))
    measured = comb_levels(sound, RATE, 82.4, numbers)
    candidates = np.linspace(1.0, 8.0, 7001) * INCH
    pattern = np.abs(np.sin(np.pi * np.outer(candidates, numbers) / SCALE))
    level = 10 ** (measured / 20)
    match = (pattern @ level) / np.linalg.norm(pattern, axis=1)
    found = float(candidates[np.argmax(match)])
    # Printed to 1 Hz (two values), which is 0.6 % at 165 Hz; the grid of places is 0.001 in.
    assert 82.4 * SCALE / found == pytest.approx(null_spacing_hz, abs=1.0)
    assert 82.4 * SCALE / found / 2 == pytest.approx(first_peak_hz, abs=0.5)


def test_a_quarter_of_the_string_silences_every_fourth_partial(tmp_path: Path) -> None:
    strings = ideal_string()
    sound = through_wav(tmp_path, synthesise(one_note(strings), {"a": CoilSpot(position=SCALE / 4, aperture=0.0)}))
    levels = comb_levels(sound, RATE, 82.4, [2, 4, 8, 12])
    # Exactly zero in theory; 24-bit steps and the window's −92 dB side lobes leave a floor.
    assert np.all(levels[1:] < levels[0] - 70)


def test_two_coils_in_phase_cancel_at_the_published_frequency(tmp_path: Path) -> None:
    # Case "humbucker_two_coil_null": 82.41 Hz, 648 mm, coils 18.5 mm apart, first null 2886.5773 Hz.
    strings = ideal_string(scale=0.648, open_hz=82.41)
    middle = 0.0445
    spots = {
        "one": CoilSpot(position=middle - 0.00925, aperture=0.0),
        "other": CoilSpot(position=middle + 0.00925, aperture=0.0),
        "middle": CoilSpot(position=middle, aperture=0.0),
    }
    take = synthesise(one_note(strings), spots)
    both = Take(name="sum", rate=RATE, coils=("sum", "middle"), emf=np.stack([take.emf[0] + take.emf[1], take.emf[2]]))
    scale = 0.4 / np.max(np.abs(both.emf))
    numbers = np.arange(30, 41)
    ratios = []
    for n in numbers:
        summed, single = (amplitude_at(row * scale, RATE, float(n) * 82.41) for row in both.emf)
        ratios.append(summed / single * (1 if n <= 35 else -1))
    zero = np.interp(0.0, -np.array(ratios), numbers)
    # Linear interpolation of a cosine over one partial (2.6° of its period): 1e-4 of the frequency.
    assert zero * 82.41 == pytest.approx(2886.5773, rel=2e-4)


def test_aperture_weakens_high_partials_as_a_sinc(tmp_path: Path) -> None:
    strings = ideal_string()
    spots = {"point": CoilSpot(position=0.04, aperture=0.0), "wide": CoilSpot(position=0.04, aperture=0.025)}
    take = synthesise(one_note(strings), spots)
    for n in (1, 10, 20, 30):
        point, wide = (amplitude_at(row, RATE, n * 82.4) for row in take.emf)
        x = math.pi * n * 0.025 / (2 * SCALE)
        assert wide / point == pytest.approx(math.sin(x) / x, rel=1e-4)  # window leakage


def test_pluck_position_silences_its_own_partials() -> None:
    strings = ideal_string()
    pluck = Pluck(at_s=0, string=1, position=SCALE / 5, width=0.0, decay=EVEN_DECAY)
    performance = Performance(name="fifth", strings=strings, plucks=(pluck,), duration_s=4)
    take = synthesise(performance, {"a": CoilSpot(position=0.04, aperture=0.0)})
    strong, silent = (amplitude_at(take.emf[0], RATE, n * 82.4) for n in (4, 5))
    assert silent < 1e-4 * strong  # zero in theory; the window's side lobes reach −92 dB


def test_first_partial_has_the_velocity_of_a_plucked_triangle() -> None:
    # Displacement of the first mode of a string pulled h aside at fraction p: 2h·sin(πp)/(π²p(1−p)); velocity × 2πf0.
    strings, h, p = ideal_string(), 1e-3, 0.3
    pluck = Pluck(at_s=0, string=1, position=p * SCALE, displacement=h, width=0.0, decay=Decay(constant=1e-3, square=0))
    performance = Performance(name="triangle", strings=strings, plucks=(pluck,), duration_s=2)
    take = synthesise(performance, {"a": CoilSpot(position=SCALE / 2 * (1 - 1e-9), aperture=0.0)})
    velocity = 2 * math.pi * 82.4 * 2 * h * math.sin(math.pi * p) / (math.pi**2 * p * (1 - p))
    heard = transducers(None, tuple(string.wire for string in strings.strings))
    assert heard is not None
    measured = amplitude_at(take.emf[0], RATE, 82.4)
    # the decay (1e-3 1/s over 2 s) and the end fade take about 0.2 %
    assert measured == pytest.approx(heard[0].sensitivity * velocity, rel=3e-3)


def test_decay_follows_its_two_constants() -> None:
    decay = Decay.from_times(low_s=2.0, at_3khz_s=0.4)
    strings = ideal_string()
    take = synthesise(one_note(strings, decay=decay), {"a": CoilSpot(position=0.031, aperture=0.0)})
    early, late = take.emf[0, :RATE], take.emf[0, RATE : 2 * RATE]
    for n in (1, 12, 36):
        f = n * 82.4
        rate = 1 / 2.0 + (1 / 0.4 - 1 / 2.0) * (f / 3000) ** 2
        fall = math.log(amplitude_at(early, RATE, f) / amplitude_at(late, RATE, f))
        assert fall == pytest.approx(rate, rel=1e-3)  # neighbouring partials decay at other rates under the window


def test_synthesis_agrees_with_the_direct_sum_of_sines() -> None:
    random = np.random.default_rng(5)
    modes, samples = 40, 3001
    frequency, decay = random.uniform(30, 20_000, modes), random.uniform(0, 50, modes)
    amplitude = random.standard_normal((2, modes))
    t = np.arange(samples) / RATE
    direct = amplitude @ (np.exp(-np.outer(decay, t)) * np.sin(2 * np.pi * np.outer(frequency, t)))
    fast = decaying_sines(rate=RATE, samples=samples, frequency_hz=frequency, decay_per_s=decay, amplitude=amplitude)
    # Four products of tables: a few thousand roundings of 1e-16 on sums of 40 terms.
    assert np.max(np.abs(fast - direct)) < 1e-10


@pytest.mark.parametrize("samples", [1, 2, 3, 16, 17, 100])
def test_synthesis_gives_exactly_the_samples_asked_for(samples: int) -> None:
    one = {"frequency_hz": np.array([1000.0]), "decay_per_s": np.array([3.0]), "amplitude": np.array([[1.0]])}
    assert decaying_sines(rate=RATE, samples=samples, **one).shape == (1, samples)


def chord(seed: int = 1, variation: NoteVariation | None = None) -> Performance:
    plucks = tuple(Pluck(at_s=0.02 * (6 - n), string=n) for n in range(6, 0, -1))
    return Performance(
        name="chord",
        strings=string_set("six strings 10-46"),
        plucks=plucks,
        duration_s=1.0,
        seed=seed,
        variation=variation or NoteVariation(timing_s=0.003, level_db=0.5, position=0.002),
    )


def test_same_seed_gives_the_same_take_and_another_seed_does_not() -> None:
    spots = {"a": CoilSpot(position=0.04)}
    one, same, other = (synthesise(chord(seed), spots).emf for seed in (7, 7, 8))
    assert np.array_equal(one, same)
    assert not np.allclose(one, other)


def test_without_variation_the_seed_does_not_matter() -> None:
    spots = {"a": CoilSpot(position=0.04)}
    assert np.array_equal(*(synthesise(chord(seed, NoteVariation()), spots).emf for seed in (1, 2)))


def test_a_string_stops_when_it_is_plucked_again() -> None:
    strings = string_set("six strings 10-46")
    first, again = Pluck(at_s=0.0, string=6), Pluck(at_s=0.5, string=6, displacement=1e-6)
    both = Performance(name="x", strings=strings, plucks=(first, again), duration_s=1.0)
    sound = synthesise(both, {"a": CoilSpot(position=0.04)}).emf[0]
    # The second pluck is 63 dB softer than the first; what is left of the first would be louder.
    assert np.max(np.abs(sound[RATE // 2 + 10 :])) < 2e-3 * np.max(np.abs(sound[: RATE // 2]))


def test_a_take_begins_and_ends_without_a_click() -> None:
    sound = synthesise(chord(), {"a": CoilSpot(position=0.04)}).emf[0]
    largest_step = np.max(np.abs(np.diff(sound)))
    assert abs(sound[0]) <= largest_step
    assert abs(sound[-1]) < 1e-3 * np.max(np.abs(sound))


def test_a_coil_beyond_the_fret_hears_nothing() -> None:
    strings = string_set("six strings 10-46")
    pluck = Pluck(at_s=0.0, string=1, fret=24, position=0.02)
    performance = Performance(name="high", strings=strings, plucks=(pluck,), duration_s=0.5)
    take = synthesise(performance, {"inside": CoilSpot(position=0.04), "outside": CoilSpot(position=0.17)})
    assert np.max(np.abs(take.emf[0])) > 0
    assert np.all(take.emf[1] == 0)


def test_level_of_a_coil_is_applied_in_decibels() -> None:
    take = synthesise(chord(), {"a": CoilSpot(position=0.04), "b": CoilSpot(position=0.04, level_db=6.0)})
    assert np.allclose(take.emf[1], take.emf[0] * 10 ** (6 / 20), rtol=1e-12)


def test_string_levels_count_for_their_string_only() -> None:
    strings = string_set("six strings 10-46")
    for string, expected in ((1, -6.0), (6, 2.0)):
        note = Performance(name="x", strings=strings, plucks=(Pluck(at_s=0, string=string),), duration_s=0.3)
        spots = {"a": CoilSpot(position=0.04), "b": CoilSpot(position=0.04, string_levels_db=(-6, 0, 0, 0, 0, 2))}
        take = synthesise(note, spots)
        assert np.allclose(take.emf[1], take.emf[0] * 10 ** (expected / 20), rtol=1e-12)
    with pytest.raises(InputError, match="levels for 2 strings"):
        synthesise(chord(), {"a": CoilSpot(position=0.04, string_levels_db=(0, 0))})


def test_usual_places_follow_the_scale_and_two_coils_straddle_their_centre() -> None:
    spots = usual_spots({"neck": ("main",), "bridge": ("screw", "slug")}, scale=34 * INCH)
    assert spots["neck.main"].position == pytest.approx(6.375 * INCH * 34 / 25.5, rel=1e-12)
    pair = [spots["bridge.screw"].position, spots["bridge.slug"].position]
    assert np.mean(pair) == pytest.approx(1.625 * INCH * 34 / 25.5, rel=1e-12)
    assert pair[1] - pair[0] == pytest.approx(0.018, rel=1e-9)


def test_an_unknown_pickup_needs_a_place() -> None:
    with pytest.raises(InputError, match="where is pickup 'extra'"):
        usual_spots({"neck": ("main",), "extra": ("main",)})
    with pytest.raises(InputError, match="no pickup is named"):
        usual_spots({"neck": ("main",)}, places={"bridge": 0.04})


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Pluck(at_s=-1, string=1), "time"),
        (lambda: Pluck(at_s=0, string=1, displacement=0.5), "displacement"),
        (lambda: Pluck(at_s=0, string=1, fret=99), "fret"),
        (lambda: Decay.from_times(low_s=0.1, at_3khz_s=1.0), "not longer"),
        (lambda: CoilSpot(position=-0.1), "position"),
        (lambda: CoilSpot(position=0.1, level_db=float("nan")), "level"),
        (lambda: NoteVariation(timing_s=float("nan")), "variation"),
        (
            lambda: Performance(name="x", strings=string_set("six strings 10-46"), plucks=(), duration_s=1),
            "plucks no string",
        ),
        (
            lambda: Performance(
                name="x", strings=string_set("six strings 10-46"), plucks=(Pluck(at_s=2, string=1),), duration_s=1
            ),
            "begins after the end",
        ),
        (
            lambda: Performance(
                name="x",
                strings=string_set("six strings 10-46"),
                plucks=(Pluck(at_s=0, string=1, fret=24, position=0.2),),
                duration_s=1,
            ),
            "cannot be plucked",
        ),
        (lambda: synthesise(chord(), {}), "at least one coil"),
        (lambda: synthesise(chord(), {"a": CoilSpot(position=0.04)}, rate=4000), "sample rate"),
    ],
)
def test_what_cannot_be_played_is_refused_in_words(make, message: str) -> None:
    with pytest.raises(InputError, match=message):
        make()
