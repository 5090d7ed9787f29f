"""Fitted sweeps and recordings in a book: one measurement is one piece of evidence, however many values it gives."""

from __future__ import annotations

import json
import math

import numpy as np

from labkit.bench.fit.fit import Fit
from labkit.book.records import Meter, Repair, Session, SweepFit, WoundCoil
from labkit.book.store import Book
from labkit.core.errors import InputError

FITTED = {"resistance": "log_resistance", "inductance": "log_inductance", "capacitance": "log_capacitance"}
"""Quantities of a fit that a book keeps, by the unknown that the fit solves for."""


def enter_fit(book: Book, coil: WoundCoil, fit: Fit, *, session: Session, meter: Meter | None = None) -> SweepFit:
    """Enter a fit as one piece of evidence on a coil, together with its session where that is new.

    Resistance, inductance and capacitance are kept with the covariance of their logarithms: the mean of the rival ways
    to write the core's losses, weighed, with what those differ by, so it is as wide as the fit's own intervals.

    Parameters
    ----------
    book : Book
    coil : WoundCoil
    fit : Fit
        With its covariance, as `fit_sweeps` returns it.
    session : Session
        When and at which temperature it was swept.
    meter : Meter, optional
        What it was swept with.

    Raises
    ------
    InputError
        If the fit was kept without its covariance, is in the book already, or the session has no temperature.
    """
    if not fit.rivals:
        raise InputError(f"the fit '{fit.name}' was kept without its covariance; fit the sweep again to enter it")
    if session.celsius is None:
        raise InputError("a sweep needs the temperature of the coil: its resistance moves by 0.4 % with each kelvin")
    best = [math.log(getattr(fit, name).value) for name in FITTED]
    whole = np.zeros((len(FITTED), len(FITTED)))
    for rival in fit.rivals:
        places = [rival.names.index(name) for name in FITTED.values()]
        off = np.asarray(rival.vector)[places] - best
        whole += rival.weight * (np.asarray(rival.covariance)[np.ix_(places, places)] + np.outer(off, off))
    made = SweepFit(
        coil=coil.uid,
        session=session.uid,
        meter=None if meter is None else meter.uid,
        names=" ".join(FITTED),
        values=json.dumps([getattr(fit, name).value for name in FITTED]),
        covariance=json.dumps(whole.tolist()),
        source=", ".join(residual.name for residual in fit.residuals),
        repairs_before=len(book.records(Repair, "coil = ? and void_reason is null", [coil.uid])),
    )
    same = book.records(
        SweepFit,
        'coil = ? and source = ? and "values" = ? and void_reason is null',
        [coil.uid, made.source, made.values],
    )
    if same:
        raise InputError(f"coil {coil.serial}: this fit of {made.source} is in the book already")
    with book.writing():
        if not book.records(Session, "uid = ?", [session.uid]):
            book.add(session)
        book.add(made)
    return made
