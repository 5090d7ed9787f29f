"""Tables of LCR meters: every pair that they show reads as the impedance behind it, units are checked or asked."""

import numpy as np
import pytest

from labkit.bench.fit.fit import fit_sweeps
from labkit.bench.fit.fixture import Fixture, Measurement
from labkit.bench.read.sweep_reader import ReadingChoices, parse_sweep
from labkit.core.errors import InputError
from tests.bench.known_coil import (
    FRACTION,
    FREQUENCY,
    METER,
    C,
    L,
    R,
    Z,
    assert_is,
    impedance,
    shown_by_a_meter,
    table,
)

METER_TABLES = {
    "Frequency(Hz),Ls(H),Rs(Ohm)": ("Ls", 1, "Rs", 1),
    "Freq [kHz],Ls [mH],Q": ("Ls", 1e3, "Q", 1),
    "f [Hz],Q,Ls_mH": ("Ls", 1e3, "Q", 1),
    "Frequency (Hz),LS (H),D": ("Ls", 1, "D", 1),
    "Frequency (Hz),L (H),Rs (kOhm)": ("Ls", 1, "Rs", 1e-3),
    "Frequency (Hz),Series inductance (H),Quality factor": ("Ls", 1, "Q", 1),
    "Frequency (Hz),Lp (H),Rp (MOhm)": ("Lp", 1, "Rp", 1e-6),
    "Frequency (Hz),Lp (H),Q": ("Lp", 1, "Q", 1),
    "Frequency (Hz),Cp (pF),D": ("Cp", 1e12, "D", 1),
    "Frequency (Hz),Cp (nF),D (%)": ("Cp", 1e9, "D", 1e2),
    "Frequency (Hz),Cp (F),G (µS)": ("Cp", 1, "G", 1e6),
    "Frequency (Hz),Cs (uF),D": ("Cs", 1e6, "D", 1),
    "Frequency (Hz),Cs (F),Rs (Ω)": ("Cs", 1, "Rs", 1),
}


@pytest.mark.parametrize("head", METER_TABLES)
def test_tables_of_lcr_meters_read_as_the_impedance_they_show(head):
    reactive, scale, loss, loss_scale = METER_TABLES[head]
    shown = shown_by_a_meter(METER)
    columns = [shown[reactive] * scale, shown[loss] * loss_scale]
    hertz = METER / 1e3 if "kHz" in head else METER
    if head.split(",")[1] == "Q":
        columns.reverse()
    assert_is(parse_sweep(table(head, hertz, *columns)), METER, impedance(METER))


def test_a_meter_at_seven_frequencies_is_fitted_to_the_coil():
    shown = shown_by_a_meter(METER)
    sweep = parse_sweep(table("Frequency(Hz),Ls(H),Rs(Ohm)", METER, shown["Ls"], shown["Rs"]))
    fit = fit_sweeps([Measurement(sweep=sweep, fixture=Fixture(kind="impedance"))])
    # exact readings of the very model: what is left is the nine digits of the table
    assert fit.resistance.value == pytest.approx(R, rel=1e-4)
    assert fit.inductance.value == pytest.approx(L, rel=1e-4)
    assert fit.capacitance.value == pytest.approx(C, rel=1e-4)
    assert fit.eddy[0].fraction.value == pytest.approx(FRACTION, rel=1e-3)


def test_four_frequencies_of_a_meter_are_enough_and_three_are_not():
    four = np.array([100.0, 1e3, 4e3, 10e3])
    shown = shown_by_a_meter(four)
    sweep = parse_sweep(table("f (Hz),Ls (H),Q", four, shown["Ls"], shown["Q"]))
    fit = fit_sweeps([Measurement(sweep=sweep, fixture=Fixture(kind="impedance"))])
    assert fit.inductance.value == pytest.approx(L, rel=1e-3)  # eight exact numbers for five unknowns
    with pytest.raises(InputError, match="at least 4 points"):
        parse_sweep(table("f (Hz),Ls (H),Q", four[:3], shown["Ls"][:3], shown["Q"][:3]))
    with pytest.raises(InputError, match=r"at least 8 points \(4 of an impedance with its phase\)"):
        parse_sweep(table("f (Hz),Z (ohm)", four, np.abs(impedance(four))))


def test_the_whole_sweep_of_a_meter_beside_its_impedance_reads_the_impedance():
    shown = shown_by_a_meter(FREQUENCY)
    head = "Frequency (Hz),|Z| (ohm),Phase (deg),Ls (H),Q"
    sweep = parse_sweep(table(head, FREQUENCY, np.abs(Z), np.degrees(np.angle(Z)), shown["Ls"], shown["Q"]))
    assert_is(sweep, FREQUENCY, Z)
    assert any("not used: column 4 ('Ls (H)'), column 5 ('Q')" in note for note in sweep.understood)


def test_units_of_a_meter_follow_from_what_a_pickup_can_be_or_are_asked():
    shown = shown_by_a_meter(METER)
    sweep = parse_sweep(table("f (Hz),Ls,Q", METER, shown["Ls"] * 1e3, shown["Q"]))
    assert_is(sweep, METER, impedance(METER))
    assert any("taken as Ls in mH" in note for note in sweep.understood)
    headed = table("f (Hz),Ls (H),Q", METER, shown["Ls"] * 1e3, shown["Q"])
    with pytest.raises(InputError, match=r"no pickup's Ls in that unit.*--column Ls=2:mH"):
        parse_sweep(headed)
    assert_is(parse_sweep(headed, choices=ReadingChoices(columns={"Ls": "2:mH"})), METER, impedance(METER))
    unmarked = table("f (Hz),Cp,D", METER, shown["Cp"] * 1e9, shown["D"])
    with pytest.raises(InputError, match=r"has no unit and begins with.*--column Cp=2:"):
        parse_sweep(unmarked)
    assert_is(parse_sweep(unmarked, choices=ReadingChoices(columns={"Cp": "2:nF"})), METER, impedance(METER))


def test_columns_of_a_meter_without_words_are_named_by_the_user():
    shown = shown_by_a_meter(METER)
    text = table("Frequency,Primary,Secondary", METER, shown["Ls"], shown["Q"])
    with pytest.raises(InputError, match="--column magnitude=2 or --column magnitude=3"):
        parse_sweep(text)
    settled = ReadingChoices(columns={"Ls": 2, "Q": "Secondary"})
    assert_is(parse_sweep(text, choices=settled), METER, impedance(METER))
