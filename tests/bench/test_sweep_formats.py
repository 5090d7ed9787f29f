"""Sweep files beyond plain columns: LCR meters, complex cells, units in cells, simulators, two-ports, workbooks.

Each format is written here from a known coil by its own formula (the definition of what the instrument shows), and must
read back as that coil's impedance; hostile neighbours of each are asked about or refused in one sentence.
"""

import subprocess
import sys

import numpy as np
import pytest

from labkit.bench.read.sweep_reader import ReadingChoices, parse_sweep, read_sweep
from labkit.core.errors import InputError
from tests.bench.known_coil import (
    CORNER,
    FRACTION,
    FREQUENCY,
    C,
    L,
    R,
    Z,
    assert_is,
    impedance,
    shown_by_a_meter,
    table,
)


def test_resistance_and_reactance_and_magnitude_and_angle_by_their_symbols():
    parts = table("Frequency (Hz),R (Ohm),X (Ohm)", FREQUENCY, Z.real, Z.imag)
    polar = table("Frequency (Hz),Z (Ohm),θ (deg)", FREQUENCY, np.abs(Z), np.degrees(np.angle(Z)))
    for text in (parts, polar):
        assert_is(parse_sweep(text), FREQUENCY, Z)


SHOWN = shown_by_a_meter(FREQUENCY)
ASKED = {
    "an inductance in series or in parallel": (
        table("Frequency (Hz),L (H),Q", FREQUENCY, SHOWN["Ls"], SHOWN["Q"]),
        r"could be in series or in parallel with the loss; say which: --column Ls=2 or --column Lp=2",
    ),
    "an inductance and a plain resistance": (
        table("Frequency (Hz),L (H),R (Ohm)", FREQUENCY, SHOWN["Ls"], SHOWN["Rs"]),
        "--column Ls=2 or --column Lp=2",
    ),
    "an inductance alone": (
        table("Frequency (Hz),Ls (H)", FREQUENCY, SHOWN["Ls"]),
        "'Ls \\(H\\)'\\) is no impedance by itself; export Rs, Q or D with it",
    ),
    "a series inductance and a parallel resistance": (
        table("Frequency (Hz),Ls (H),Rp (Ohm)", FREQUENCY, SHOWN["Ls"], SHOWN["Rp"]),
        "is no impedance by itself; export Rs, Q or D",
    ),
    "a rising inductance that is no level": (
        table("f,value", FREQUENCY[:40], SHOWN["Ls"][:40]),
        "as a level it is no coil's curve, an inductance is --column Ls=2",
    ),
    "an inductance that turns negative is no level": (
        table("f,value", FREQUENCY, SHOWN["Ls"]),
        "State the magnitude unit: --magnitude-unit dB, kohm or volt; as a level it is no coil's curve",
    ),
    "millihenries that are no ohms": (
        table("f,value", FREQUENCY[:40], SHOWN["Ls"][:40] * 1e3),
        "as a level it is no coil's curve",
    ),
    "another quantity as the only column left": (
        table("Frequency (Hz),Flux (T)", FREQUENCY, np.abs(Z)),
        r"is the only column left, but in T it is no magnitude",
    ),
    "two channels that both move": (
        table("Frequency (Hz),CH1 (V),CH2 (V)", FREQUENCY, np.abs(Z), np.sqrt(np.abs(Z))),
        r"the magnitude could be column 2 \('CH1 \(V\)'\) or column 3 \('CH2 \(V\)'\); say which: "
        "--column magnitude=2 or --column magnitude=3",
    ),
    "two columns that may be parts or a magnitude and a phase": (
        table("", FREQUENCY, (Z / 1e6).real, (Z / 1e6).imag),
        "could be magnitude and phase .* or real and imaginary part .*--column real=2 --column imaginary=3",
    ),
    "two columns of which none can be a phase": (
        table("", FREQUENCY, Z.real, Z.imag),
        "could be real and imaginary part .*--column real=2 --column imaginary=3.* or the magnitude and something else",
    ),
    "a logarithm to another base": (
        table("f,Z (ohm)", np.log(np.geomspace(20, 20_000, 60)), np.abs(Z)),
        "as kHz that is no whole sweep, as a logarithm none of a pickup",
    ),
    "a real part in decibels": (
        table("Frequency (Hz),Re (dB),Im (dB)", FREQUENCY, Z.real, Z.imag),
        "is a real part, which cannot be in dB",
    ),
    "cells in two units": (
        table("Frequency,Z", FREQUENCY, [f"{abs(z):.6g} {'Ω' if z.imag > 0 else 'V'}" for z in Z]),
        "column 2 holds values in Ω and in V",
    ),
}


@pytest.mark.parametrize("case", ASKED)
def test_what_can_be_read_in_two_ways_is_asked_about_in_one_sentence(case):
    text, sentence = ASKED[case]
    with pytest.raises(InputError, match=sentence) as caught:
        parse_sweep(text, name="bench.csv")
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith("bench.csv: ")


@pytest.mark.parametrize("head", ["f,|Z| (ohm),Phase (deg)", "log10(f),|Z| (ohm),Phase (deg)", ""])
def test_the_logarithm_of_the_frequency_is_no_sweep_in_kilohertz(head):
    frequency = np.geomspace(20, 20_000, 60)  # 1.3 to 4.3
    z = impedance(frequency)
    choices = ReadingChoices(magnitude_unit="ohm")
    sweep = parse_sweep(table(head, np.log10(frequency), np.abs(z), np.degrees(np.angle(z))), choices=choices)
    assert_is(sweep, frequency, z)
    assert any("log10 Hz" in note for note in sweep.understood)


def test_what_looks_like_a_logarithm_can_be_said_to_be_kilohertz():
    kilohertz = np.linspace(1.3, 4.3, 40)
    choices = ReadingChoices(frequency_unit="kHz")
    sweep = parse_sweep(table("f,Z (ohm)", kilohertz, np.abs(impedance(kilohertz * 1e3))), choices=choices)
    np.testing.assert_allclose(sweep.frequency_hz, kilohertz * 1e3)


def test_a_constant_channel_is_taken_as_the_reference():
    exciter = 20 * np.log10(np.abs(Z)) - 60
    wobble = 0.01 * np.sin(np.arange(FREQUENCY.size))
    head = (
        "Frequency (Hz),Channel 1 Magnitude (dB),Channel 1 Phase (deg),Channel 2 Magnitude (dB),Channel 2 Phase (deg)"
    )
    sweep = parse_sweep(table(head, FREQUENCY, wobble, 0 * wobble, exciter, np.degrees(np.angle(Z))))
    np.testing.assert_allclose(sweep.level_db, exciter, atol=1e-6)
    np.testing.assert_allclose(sweep.phase_deg, np.degrees(np.angle(Z)), atol=1e-6)
    assert any(
        "column 2 ('Channel 1 Magnitude (dB)') hardly moves: taken as a reference" in n for n in sweep.understood
    )


def test_the_phase_of_the_channel_that_is_read_is_taken():
    head = "Frequency (Hz),CH1 (dB),CH2 (dB),CH1 phase (deg),CH2 phase (deg)"
    level, turn = 20 * np.log10(np.abs(Z)), np.degrees(np.angle(Z))
    text = table(head, FREQUENCY, level, level / 2, turn, turn / 2)
    sweep = parse_sweep(text, choices=ReadingChoices(columns={"magnitude": 3, "phase": 5}))
    np.testing.assert_allclose(sweep.phase_deg, turn / 2, atol=1e-6)
    with pytest.raises(InputError, match="--column magnitude=2 or --column magnitude=3"):
        parse_sweep(text)


COMPLEX_CELLS = {
    "a+bj": [f"{z.real:.9e}{z.imag:+.9e}j" for z in Z],
    "a + bi": [f"{z.real:.9f} {'+' if z.imag >= 0 else '-'} {abs(z.imag):.9f}i" for z in Z],
    "a+jb": [f"{z.real:.9e}{'+' if z.imag >= 0 else '-'}j{abs(z.imag):.9e}" for z in Z],
    "a - ib": [f"{z.real:.9f} {'+' if z.imag >= 0 else '-'} i{abs(z.imag):.9f}" for z in Z],
    "(re,im)": [f"({z.real:.9e},{z.imag:.9e})" for z in Z],
    "magnitude∠angle": [f"{abs(z):.9e}∠{np.degrees(np.angle(z)):.9f}°" for z in Z],
    "magnitude ∠ angle with unit": [f"{abs(z) / 1e3:.9f} kΩ ∠ {np.degrees(np.angle(z)):.9f}" for z in Z],
    "radians": [f"{abs(z):.9e}∠{np.angle(z):.9f}rad" for z in Z],
}


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("form", COMPLEX_CELLS)
def test_complex_numbers_in_one_cell(form, separator):
    text = table(separator.join(["Frequency (Hz)", "Z (ohm)"]), FREQUENCY, COMPLEX_CELLS[form], separator=separator)
    if "kΩ" in form:
        text = text.replace(" (ohm)", "")
    assert_is(parse_sweep(text), FREQUENCY, Z)


def test_complex_numbers_with_decimal_commas():
    cells = [f"{z.real:.6f}{z.imag:+.6f}j".replace(".", ",") for z in Z]
    hertz = [f"{f:.9f}".replace(".", ",") for f in FREQUENCY]
    assert_is(parse_sweep(table("Frequenz (Hz);Z (ohm)", hertz, cells, separator=";")), FREQUENCY, Z, rtol=1e-6)


def test_several_complex_columns_are_asked_about_and_a_constant_one_is_not_taken():
    ones, cells = ["1.0+0.0j"] * 60, COMPLEX_CELLS["a+bj"]
    halves = [f"{z.real / 2:.9e}{z.imag / 2:+.9e}j" for z in Z]
    assert_is(parse_sweep(table("Frequency (Hz),Ref,Z (ohm)", FREQUENCY, ones, cells)), FREQUENCY, Z)
    both = table("Frequency (Hz),Z1 (ohm),Z2 (ohm)", FREQUENCY, cells, halves)
    with pytest.raises(InputError, match="--column magnitude=2 or --column magnitude=3"):
        parse_sweep(both)
    assert_is(parse_sweep(both, choices=ReadingChoices(columns={"magnitude": 3})), FREQUENCY, Z / 2)


def test_units_in_cells_are_read_cell_by_cell():
    hertz = [f"{f:.9g} Hz" if f < 1000 else f"{f / 1e3:.9g} kHz" for f in FREQUENCY]
    ohms = [f"{abs(z):.9g} Ω" if abs(z) < 1e4 else f"{abs(z) / 1e3:.9g} kΩ" for z in Z]
    degrees = [f"{np.degrees(np.angle(z)):.9g}°" for z in Z]
    for separator in (",", ";", "\t", "  "):
        text = table(separator.join(["Frequency", "Impedance", "Phase"]), hertz, ohms, degrees, separator=separator)
        assert_is(parse_sweep(text), FREQUENCY, Z)


def test_bare_prefixes_in_cells_are_read():
    ohms = [f"{abs(z) / 1e3:.9g}k" for z in Z]
    sweep = parse_sweep(table("Frequency (Hz),Z (ohm),Phase (deg)", FREQUENCY, ohms, np.degrees(np.angle(Z))))
    assert_is(sweep, FREQUENCY, Z)


def test_a_negative_resistance_is_warned_about():
    sweep = parse_sweep(table("Frequency (Hz),Z (ohm)", FREQUENCY, [f"{-z.real:.9e}{z.imag:+.9e}j" for z in Z]))
    assert any("the resistance is negative in" in warning for warning in sweep.warnings)


DECK = f"""coil behind 1 Mohm
V1 in 0 AC 1
R0 in out 1meg
R1 out a {R}
L1 a b {L * (1 - FRACTION):.12g}
L2 b 0 {L * FRACTION:.12g}
R2 b 0 {2 * np.pi * CORNER * L * FRACTION:.12g}
C1 out 0 {C}
.ac dec 20 40 20k
.control
set numdgt=9
run
print v(out) > complex.txt
print vdb(out) vp(out) > decibels.txt
print vr(out) vi(out) > parts.txt
print v(in) v(out) > two.txt
wrdata plain.txt v(out)
set wr_singlescale
set wr_vecnames
wrdata named.txt v(in) v(out)
.endc
.end
"""


@pytest.fixture(scope="module")
def printed(tmp_path_factory):
    folder = tmp_path_factory.mktemp("simulator")
    (folder / "deck.cir").write_text(DECK)
    subprocess.run(["ngspice", "-b", "deck.cir"], cwd=folder, capture_output=True, timeout=60, check=False)
    return folder


def assert_is_the_divider(sweep, rtol=1e-6):
    z = impedance(sweep.frequency_hz)
    assert sweep.frequency_hz.size == 54
    found = sweep.magnitude * np.exp(1j * np.radians(sweep.phase_deg))
    np.testing.assert_allclose(found, z / (z + 1e6), rtol=rtol)


@pytest.mark.ngspice
@pytest.mark.parametrize("file", ["complex", "decibels", "parts", "two", "named"])
def test_a_simulators_printout_reads_as_the_circuit_that_it_ran(printed, file):
    # pages of 54 rows, index, "re, im" pairs; six digits and more are printed
    assert_is_the_divider(read_sweep(printed / f"{file}.txt"), rtol=1e-5)


@pytest.mark.ngspice
def test_a_simulators_plain_columns_are_asked_about_and_can_be_named(printed):
    with pytest.raises(InputError, match="--column real=2 --column imaginary=3"):
        read_sweep(printed / "plain.txt")
    named = ReadingChoices(columns={"real": 2, "imaginary": 3})
    assert_is_the_divider(read_sweep(printed / "plain.txt", named))


@pytest.mark.parametrize("form", ["polar", "cartesian"])
@pytest.mark.parametrize("encoding", ["utf-8", "latin-1"])
def test_pairs_between_tabs_as_a_simulators_window_exports_them(tmp_path, form, encoding):
    ratio = Z / (Z + 1e6)
    cells = {
        "polar": [f"({20 * np.log10(abs(v)):.15e}dB,{np.degrees(np.angle(v)):.15e}°)" for v in ratio],
        "cartesian": [f"{v.real:.15e},{v.imag:.15e}" for v in ratio],
    }[form]
    path = tmp_path / "export.txt"
    path.write_bytes(table("Freq.\tV(out)", FREQUENCY, cells, separator="\t").encode(encoding))
    sweep = read_sweep(path)
    np.testing.assert_allclose(sweep.magnitude * np.exp(1j * np.radians(sweep.phase_deg)), ratio, rtol=1e-8)


def two_port(path, s11, s21, head="# Hz S RI R 50"):
    rows = "".join(
        f"{f:.9f} {a.real:.15f} {a.imag:.15f} {b.real:.15f} {b.imag:.15f} {b.real:.15f} {b.imag:.15f} {a.real:.15f} "
        f"{a.imag:.15f}\n"
        for f, a, b in zip(FREQUENCY, s11, s21)
    )
    path.write_text(f"{head}\n{rows}")
    return path


def test_two_ports_in_series_and_in_shunt_are_told_apart_by_what_a_pickup_can_be(tmp_path):
    """Reflection and transmission of one part between two ports of 50 Ω, by the textbook's ABCD matrices."""
    series = two_port(tmp_path / "series.s2p", Z / (Z + 100), 100 / (Z + 100))
    shunt = two_port(tmp_path / "shunt.s2p", -50 / (2 * Z + 50), 2 * Z / (2 * Z + 50))
    assert_is(read_sweep(series), FREQUENCY, Z)
    # S21 is 1 − 25/Z with 15 decimals: 1e-15 of 1e-5
    assert_is(read_sweep(shunt), FREQUENCY, Z, rtol=1e-5)
    assert any("between its ports (series)" in note for note in read_sweep(series).understood)
    assert any("across both ports (shunt)" in note for note in read_sweep(shunt).understood)
    assert any("measure in series" in warning for warning in read_sweep(shunt).warnings)
    assert not any("reflection" in warning for warning in read_sweep(series).warnings)


def test_a_two_port_with_another_reference_and_form(tmp_path):
    k = 1e6
    path = two_port(tmp_path / "divider.s2p", Z / (Z + 2 * k), 2 * k / (Z + 2 * k), head=f"# Hz S RI R {k:g}")
    with pytest.raises(InputError, match=r"say how the pickup sat: --through series .* or --through shunt"):
        read_sweep(path)  # beside 1 MΩ both fixtures could be meant
    assert_is(read_sweep(path, ReadingChoices(through="series")), FREQUENCY, Z)


def test_a_fixture_that_the_readings_contradict_is_warned_about(tmp_path):
    path = two_port(tmp_path / "series.s2p", Z / (Z + 100), 100 / (Z + 100))
    sweep = read_sweep(path, ReadingChoices(through="shunt"))
    assert any("no pickup has that little" in warning for warning in sweep.warnings)


def test_a_three_port_is_refused(tmp_path):
    path = tmp_path / "box.s3p"
    path.write_text("# Hz S RI R 50\n" + "".join(f"{f:.3f} " + "0 0 " * 9 + "\n" for f in FREQUENCY))
    with pytest.raises(InputError, match="this file holds 3 ports"):
        read_sweep(path)


def test_without_the_library_a_touchstone_file_gets_one_sentence_that_says_what_to_install(tmp_path, monkeypatch):
    path = two_port(tmp_path / "series.s2p", Z / (Z + 100), 100 / (Z + 100))
    for name in [name for name in sys.modules if name.startswith("skrf.")]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "skrf", None)
    with pytest.raises(InputError, match="python -m pip install scikit-rf, or export the sweep as CSV text"):
        read_sweep(path)


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be"])
def test_two_byte_text_without_a_mark(tmp_path, encoding):
    text = table("Frequency (Hz);Impedance (Ω);Phase (°)", FREQUENCY, np.abs(Z), np.degrees(np.angle(Z)), separator=";")
    path = tmp_path / "sweep.csv"
    path.write_bytes(text.encode(encoding))
    assert_is(read_sweep(path), FREQUENCY, Z)


def test_two_byte_text_that_breaks_off_is_refused(tmp_path):
    path = tmp_path / "sweep.csv"
    path.write_bytes("Frequency,Impedance\n1,2".encode("utf-16-le")[:-1])
    with pytest.raises(InputError, match="breaks off or is damaged"):
        read_sweep(path)


LONG = {
    "one line without an end": "1," * 50_000,
    "a bracket that never closes": "(" * 1_000_000,
    "letters beside a number": "f,Z\n" + "1," + "a" * 200_000,
    "a header of many words": "f," + "series " * 100_000 + "inductance\n100,1\n200,2\n",
    "many columns": ",".join(f"level {i} (dB)" for i in range(800))
    + "\n"
    + (",".join(map(str, range(800))) + "\n") * 9,
}


@pytest.mark.parametrize("what", LONG)
def test_what_is_too_long_is_refused_in_a_short_sentence(what):
    with pytest.raises(InputError) as caught:
        parse_sweep(LONG[what])
    assert len(str(caught.value)) < 1000
