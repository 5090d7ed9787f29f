"""Sweep files in the layouts that instruments and spreadsheets write, good and bad."""

import pickle
from pathlib import Path

import numpy as np
import pytest

from labkit.bench.read.sweep_reader import ReadingChoices, parse_sweep, read_sweep
from labkit.core.errors import InputError
from labkit.pickup.electrical import Coil
from labkit.pickup.network import coil_impedance

COIL = Coil(resistance=6200.0, inductance=2.4, capacitance=110e-12)
FREQUENCY = np.geomspace(40, 20_000, 40)
IMPEDANCE = coil_impedance(COIL, FREQUENCY)
MAGNITUDE, PHASE = np.abs(IMPEDANCE), np.degrees(np.angle(IMPEDANCE))


def rows(*columns, separator=",", comma=False, digits=6):
    lines = []
    for cells in zip(*columns):
        texts = [f"{cell:.{digits}f}" for cell in cells]
        lines.append(separator.join(text.replace(".", ",") if comma else text for text in texts))
    return "\n".join(lines) + "\n"


def assert_is_the_coil(sweep, with_phase=True):
    # the text above keeps six decimals: 1e-6 of a frequency of 40 Hz and more, 1e-4 of kΩ values
    np.testing.assert_allclose(sweep.frequency_hz, FREQUENCY, rtol=1e-4)
    np.testing.assert_allclose(sweep.magnitude, MAGNITUDE, rtol=1e-4)
    if with_phase:
        np.testing.assert_allclose(sweep.phase_deg, PHASE, atol=1e-3)
    else:
        assert sweep.phase_deg is None


LAYOUTS = {
    "comma, header with units": ("Frequency (Hz),|Z| (ohm),Phase (deg)\n" + rows(FREQUENCY, MAGNITUDE, PHASE), True),
    "tab, dB of ohms, radians": (
        "freq [Hz]\tlevel [dBohm]\tphase [rad]\n"
        + rows(FREQUENCY, 20 * np.log10(MAGNITUDE), np.radians(PHASE), separator="\t"),
        True,
    ),
    "semicolon, decimal comma, kHz, kΩ, units row, title rows": (
        "Saltmarsh Lane winding room\nsingle coil no. 3\n\nFrequenz;Impedanz;Phase\nkHz;kΩ;°\n"
        + rows(FREQUENCY / 1e3, MAGNITUDE / 1e3, PHASE, separator=";", comma=True),
        True,
    ),
    "spaces, decimal comma, no header": (rows(FREQUENCY, MAGNITUDE, separator="  ", comma=True), False),
    "bar, real and imaginary": (
        "f [Hz]|Re Z [Ω]|Im Z [Ω]\n" + rows(FREQUENCY, IMPEDANCE.real, IMPEDANCE.imag, separator="|"),
        True,
    ),
    "columns in another order, further columns": (
        "Quality,Phase [deg],Impedance [ohm],Frequency [Hz]\n" + rows(np.ones(40), PHASE, MAGNITUDE, FREQUENCY),
        True,
    ),
    "separator at the end of every line": (
        "Frequency (Hz),Impedance (ohm),\n" + rows(FREQUENCY, MAGNITUDE).replace("\n", ",\n"),
        False,
    ),
    "falling frequencies": ("Hz,ohm\n" + rows(FREQUENCY[::-1], MAGNITUDE[::-1]), False),
    "angular frequency": ("omega [rad/s],Z [ohm]\n" + rows(2 * np.pi * FREQUENCY, MAGNITUDE), False),
    "thousands marks in quotes": (
        "Frequency (Hz),Impedance (ohm)\n" + "".join(f'"{f:,.4f}","{z:,.4f}"\n' for f, z in zip(FREQUENCY, MAGNITUDE)),
        False,
    ),
}


@pytest.mark.parametrize("layout", LAYOUTS)
def test_every_common_layout_reads_as_the_same_impedance(layout):
    text, with_phase = LAYOUTS[layout]
    sweep = parse_sweep(text)
    assert sweep.kind == "impedance"
    assert_is_the_coil(sweep, with_phase)


def test_reader_says_what_it_understood():
    sweep = parse_sweep(LAYOUTS["semicolon, decimal comma, kHz, kΩ, units row, title rows"][0])
    told = " · ".join(sweep.understood)
    for word in ("semicolon", "decimal comma", "2 title rows", "kHz", "kohm", "deg"):
        assert word in told


def test_swapped_columns_without_a_header_read_right():
    sweep = parse_sweep(rows(MAGNITUDE, FREQUENCY))
    assert_is_the_coil(sweep, with_phase=False)
    assert any("not the first" in note for note in sweep.understood)


def test_swapped_headers_are_refused_with_the_way_out():
    with pytest.raises(InputError, match=r"look swapped.*--column frequency=2 --column magnitude=1"):
        parse_sweep("Frequency [Hz],Impedance [ohm]\n" + rows(MAGNITUDE, FREQUENCY))
    settled = ReadingChoices(columns={"frequency": 2, "magnitude": 1}, frequency_unit="Hz", magnitude_unit="ohm")
    assert_is_the_coil(
        parse_sweep("Frequency [Hz],Impedance [ohm]\n" + rows(MAGNITUDE, FREQUENCY), choices=settled), with_phase=False
    )


def test_khz_under_a_hz_header_is_questioned_and_can_be_settled():
    text = "Frequency [Hz],Impedance [ohm]\n" + rows(FREQUENCY / 1e3, MAGNITUDE)
    with pytest.raises(InputError, match="look like kHz"):
        parse_sweep(text)
    assert_is_the_coil(parse_sweep(text, choices=ReadingChoices(frequency_unit="kHz")), with_phase=False)


def test_hz_under_a_khz_header_is_questioned():
    with pytest.raises(InputError, match="look like Hz"):
        parse_sweep("Frequency [kHz],Impedance [ohm]\n" + rows(FREQUENCY, MAGNITUDE))


def test_frequencies_without_a_unit_that_end_at_20_are_kilohertz():
    sweep = parse_sweep("f,Impedance [ohm]\n" + rows(FREQUENCY / 1e3, MAGNITUDE))
    assert_is_the_coil(sweep, with_phase=False)
    assert any("kHz" in note and "no unit" in note for note in sweep.understood)


def test_gaps_and_duplicates_and_zero_hertz_are_named_and_left_out():
    lines = rows(FREQUENCY, MAGNITUDE).splitlines()
    lines[0] = lines[0].split(",")[0] + ","
    lines[5] = lines[5].split(",")[0] + ",overload"
    lines += [lines[10], lines[11], "0,6200"]
    sweep = parse_sweep("Frequency [Hz],Impedance [ohm]\n" + "\n".join(lines))
    assert sweep.frequency_hz.size == 38
    told = " · ".join(sweep.understood)
    for sentence in ("2 rows with missing numbers", "2 repeated frequencies averaged", "1 rows at 0 Hz", "sorted"):
        assert sentence in told


def test_repeated_frequencies_are_averaged_in_decibels():
    doubled = parse_sweep(
        "Hz,ohm\n" + rows(np.repeat(FREQUENCY, 2), np.repeat(MAGNITUDE, 2) * np.tile([2.0, 0.5], FREQUENCY.size))
    )
    np.testing.assert_allclose(doubled.magnitude, MAGNITUDE, rtol=1e-4)  # the mean of ±6 dB is 0 dB


def test_a_hole_in_the_sweep_is_warned_about():
    keep = (FREQUENCY < 800) | (FREQUENCY > 12_000)
    sweep = parse_sweep("Hz,ohm\n" + rows(FREQUENCY[keep], MAGNITUDE[keep]))
    assert any("would not be seen" in warning for warning in sweep.warnings)


def test_a_differentiating_exciter_is_told_by_its_slope():
    level = 20 * np.log10(FREQUENCY / 1e3 / np.abs(1 + IMPEDANCE * 1e-9))
    assert parse_sweep("Frequency [Hz],Magnitude [dB]\n" + rows(FREQUENCY, level)).kind == "exciter"


def test_a_level_without_slope_leaves_the_kind_open():
    assert parse_sweep("Frequency [Hz],Magnitude [dB]\n" + rows(FREQUENCY, 20 * np.log10(MAGNITUDE))).kind is None


BAD = {
    "three points": ("Hz,ohm\n100,6000\n1000,9000\n5000,80000\n", "at least 8 points"),
    "constant": ("Hz,ohm\n" + rows(FREQUENCY, np.full(40, 6000.0)), "never constant"),
    "empty": ("\n \n", "empty"),
    "words only": ("to whom it may concern\nthe pickup is fine\n", "no table of numbers"),
    "decimal commas between commas": (
        "Frequency,Impedance\n" + rows(FREQUENCY, MAGNITUDE, comma=True, digits=1),
        "ambiguous commas",
    ),
    "small numbers without a unit": ("f,value\n" + rows(FREQUENCY, MAGNITUDE / 1e3), "could be dB, kΩ or volts"),
    "phase without a unit near zero": (
        "f [Hz],Z [ohm],phase\n" + rows(FREQUENCY, MAGNITUDE, np.linspace(0.0, 0.2, 40)),
        "degrees or radians",
    ),
    "ohms under a dB header": ("Hz,dB\n" + rows(FREQUENCY, MAGNITUDE), "looks like ohms"),
    "negative ohms": ("Hz,ohm\n" + rows(FREQUENCY, IMPEDANCE.imag), "has negative numbers"),
    "no frequency": ("A,B\n" + rows(np.sin(FREQUENCY), np.cos(FREQUENCY)), "no column can be the frequency"),
    "many columns without headers": (rows(FREQUENCY, PHASE, MAGNITUDE, PHASE), "without headers"),
    "empty magnitude column": (
        "Frequency [Hz],Impedance [ohm],note\n" + rows(FREQUENCY, PHASE).replace(",", ",,"),
        "holds no numbers",
    ),
}


@pytest.mark.parametrize("case", BAD)
def test_what_cannot_be_read_gets_one_sentence(case):
    text, sentence = BAD[case]
    with pytest.raises(InputError, match=sentence) as caught:
        parse_sweep(text, name="bench.csv")
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith("bench.csv: ")


def test_files_with_byte_order_marks_and_old_encodings_read(tmp_path: Path):
    text = "Frequency (Hz),|Z| (Ω)\n" + rows(FREQUENCY, MAGNITUDE)
    for encoding, spelled in (
        ("utf-8-sig", text),
        ("utf-16", text),
        ("latin-1", text.replace("Ω", "ohm") + "\n# 20 °C\n"),
    ):
        path = tmp_path / f"{encoding}.csv"
        path.write_bytes(spelled.encode(encoding))
        assert_is_the_coil(read_sweep(path), with_phase=False)


def test_a_missing_file_names_the_nearest_one(tmp_path: Path):
    (tmp_path / "bridge.csv").write_text("x")
    with pytest.raises(InputError, match=r"Did you mean 'bridge\.csv'"):
        read_sweep(tmp_path / "brigde.csv")


def test_a_spreadsheet_file_is_sent_back(tmp_path: Path):
    path = tmp_path / "sweep.csv"
    path.write_bytes(b"PK\x03\x04" + bytes(50))
    with pytest.raises(InputError, match="export the sheet as CSV"):
        read_sweep(path)


def test_touchstone_one_port_reads_as_impedance(tmp_path: Path):
    """The S-parameter definition s = (Z − Z₀)/(Z + Z₀) is the outside check of the library's conversion."""
    reflection = (IMPEDANCE - 50) / (IMPEDANCE + 50)
    path = tmp_path / "coil.s1p"
    lines = "".join(f"{f:.9f} {s.real:.15f} {s.imag:.15f}\n" for f, s in zip(FREQUENCY, reflection))
    path.write_text("! winding room\n# Hz S RI R 50\n" + lines)
    sweep = read_sweep(path)
    assert_is_the_coil(sweep)
    assert any("series resistor" in warning for warning in sweep.warnings)


def test_a_two_port_with_nothing_in_it_is_refused(tmp_path: Path):
    path = tmp_path / "box.s2p"
    path.write_text("# Hz S RI R 50\n" + "".join(f"{f:.3f} 0 0 1 0 1 0 0 0\n" for f in FREQUENCY))
    with pytest.raises(InputError, match=r"neither read in series nor in shunt.*check what was connected"):
        read_sweep(path)


class _Trap:
    def __init__(self, path: Path) -> None:
        self.path = path

    def __reduce__(self):
        return Path.touch, (self.path,)


def test_a_file_named_as_touchstone_cannot_run_code(tmp_path: Path):
    # the library that parses Touchstone would unpickle a file that it opens itself
    (tmp_path / "sweep.s1p").write_bytes(pickle.dumps(_Trap(tmp_path / "sprung")))
    with pytest.raises(InputError, match=r"sweep\.s1p"):
        read_sweep(tmp_path / "sweep.s1p")
    assert not (tmp_path / "sprung").exists()
