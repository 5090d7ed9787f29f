"""Two coupled coils from sweeps of each and of both, made by node equations that share nothing with the fit."""

import json

import numpy as np
import pytest

from labkit.bench.fit.fit import fit_sweeps
from labkit.bench.fit.fixture import Fixture, Load, Measurement
from labkit.bench.fit.pair import fit_pair, pair_sheet_text
from labkit.bench.read.sweep import Sweep
from labkit.cli.main import main
from labkit.core.errors import InputError
from labkit.core.sheet import parse_sheet
from labkit.pickup.sheet import read_pickup

L, R, C, K = (2.4, 1.9), (4200.0, 3900.0), (130e-12, 180e-12), 0.32
FRACTION, CORNER = (0.2, 0.3), (3000.0, 4500.0)
FREQUENCY = np.geomspace(60, 18_000, 160)


def impedance(wiring, frequency=FREQUENCY):
    """Impedance at the leads by a matrix solve at every frequency: branch currents and node voltages."""
    found = []
    for f in frequency:
        s = 2j * np.pi * f
        z = [R[n] + s * L[n] * (1 - FRACTION[n] * 1j * f / (1j * f + CORNER[n])) for n in (0, 1)]
        m = s * K * np.sqrt(L[0] * L[1])
        # unknowns: current into each coil's branch; 1 A goes in at the leads
        y = np.linalg.inv(np.array([[z[0], m], [m, z[1]]])) + np.diag([s * C[0], s * C[1]])
        own = np.linalg.inv(y)
        if wiring == "parallel":
            found.append(1 / y.sum())
        else:
            drive = {"first": [1, 0], "second": [0, 1], "series": [1, 1]}[wiring]
            found.append(np.array(drive) @ own @ np.array(drive))
    return np.array(found)


def measured(wiring, seed=0, noise_db=0.03):
    error = noise_db * np.random.default_rng([seed, len(wiring)]).standard_normal(FREQUENCY.size)
    sweep = Sweep(
        frequency_hz=FREQUENCY,
        magnitude=np.abs(impedance(wiring)) * 10 ** (error / 20),
        kind="impedance",
        name=f"{wiring}.csv",
    )
    return Measurement(sweep=sweep, fixture=Fixture(kind="impedance", load=Load()))


def test_both_coils_and_their_coupling_are_found():
    """0.03 dB of scatter: intervals hold the truth and are no wider than 5 %; one coil cannot describe the curve."""
    wirings = ("first", "second", "series", "parallel")
    fit = fit_pair([measured(wiring) for wiring in wirings], wirings)
    for number, coil in enumerate(fit.coils.values()):
        assert coil.inductance.holds(L[number])
        assert coil.resistance.holds(R[number])
        assert coil.capacitance.holds(C[number])
        assert coil.inductance.high / coil.inductance.low < 1.10
    assert fit.coupling.holds(K)
    assert fit.residual_db < 0.05
    assert fit.warnings == ()
    assert fit_sweeps([measured("first")]).residual_db > 5 * fit.residual_db


def test_the_sheet_of_a_pair_is_a_pickup_of_two_coupled_coils():
    wirings = ("first", "second", "series")
    fit = fit_pair([measured(wiring) for wiring in wirings], wirings, name="invented pair")
    pickup = read_pickup(parse_sheet(pair_sheet_text(fit), "pair", kinds=("pickup",)))
    assert pickup.coupling == pytest.approx(K, abs=0.02)
    assert [coil.inductance for coil in pickup.coils.values()] == pytest.approx(L, rel=0.03)


def test_the_command_fits_a_pair_and_says_what_is_missing(tmp_path, capsys):
    paths = []
    for wiring in ("first", "second", "series"):
        rows = "".join(f"{f:.5f},{v:.8g}\n" for f, v in zip(FREQUENCY, np.abs(impedance(wiring))))
        paths.append(tmp_path / f"{wiring}.csv")
        paths[-1].write_text(f"Frequency [Hz],Impedance [ohm]\n{rows}")
    loads = ["--load", "none"] * 3
    coils = ["--coil", "first", "--coil", "second", "--coil", "series"]
    assert main(["fit", *map(str, paths), *loads, *coils, "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["coupling"]["value"] == pytest.approx(K, abs=0.01)
    assert main(["fit", str(paths[0]), "--coil", "frst"]) == 2
    assert "Did you mean 'first'" in capsys.readouterr().err


def test_a_pair_needs_each_coil_alone():
    with pytest.raises(InputError, match="second coil was never measured alone"):
        fit_pair([measured("first")], ["first"])
