"""A workshop's things by what people say of them: reels of wire, magnets, machines, bobbins, meters and their checks.

Commands and the page share it: texts in, records out. What is not said of a thing that the book has stays as it is. The
physics is imported where it is needed, since every command reads the table.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from labkit.book.records import (
    MARKS,
    BobbinKind,
    BookRecord,
    Calibration,
    Machine,
    MagnetLot,
    Meter,
    Spool,
    WireReading,
    now,
)
from labkit.core.errors import InputError
from labkit.core.units import parse_quantity, stated, stated_temperature

if TYPE_CHECKING:
    from labkit.book.store import Book

Said = Mapping[str, str]
"""Texts by the key of a `ThingField`; what is absent or empty is not said."""

METER_UNITS = MappingProxyType({"ohms": "Ω", "field": "T", "lcr": "H", "sweep": "Hz", "thermometer": "°C"})


@dataclass(frozen=True, slots=True, kw_only=True)
class ThingField:
    """What can be said of a thing: its key, its words on a page, an example of it, and its meaning in a sentence."""

    key: str
    words: str
    example: str
    meaning: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ThingKind:
    """A kind of thing: its words on a page, what entering it does, what can be said of it, and how it is entered.

    ``enter(book, label, said)`` returns what was done, as a sentence without a full stop.
    """

    words: str
    meaning: str
    enter: Callable[[Book, str, Said], str]
    fields: tuple[ThingField, ...] = ()


def _measured(said: Said, key: str, unit: str, tolerance: float) -> tuple[float | None, float | None]:
    """Value and standard deviation of ``63 µm ± 1 µm``; nothing where it is not given."""
    if not said.get(key):
        return None, None
    value, half = stated(said[key], unit, key, tolerance)
    return value, value * half / 1.96


def _labelled(book: Book, kind: type[BookRecord], label: str, given: dict[str, Any]) -> str:
    """Enter a thing by its label, or change what is given of the one that is there; say which."""
    said = {key: value for key, value in given.items() if value is not None}
    found = book.records(kind, "label = ?", [label])
    if not found:
        book.add(kind(label=label, **said))  # type: ignore[call-arg]
        return "entered"
    changed = replace(found[0], **said)
    if changed == found[0]:
        return "is in the book just so"
    book.change(changed)
    return "changed"


def _due(book: Book, kind: type[BookRecord], label: str, said: Said, key: str, example: str) -> str:
    """What must be said of a new thing; that of the one in the book where it is not said again."""
    if said.get(key):
        return said[key]
    known = book.records(kind, "label = ?", [label])
    if not known:
        raise InputError(f"{kind.name_of_one} {label}: is new to the book; say its {key}, such as {example}")
    return str(getattr(known[0], key))


def _enter_spool(book: Book, label: str, said: Said) -> str:
    from labkit.book.stock import length_of_mass
    from labkit.pickup.materials.wire import wire as wire_called

    kind = wire_called(_due(book, Spool, label, said, "wire", "'AWG 42 single build'"))
    if said.get("length") and said.get("weight"):
        raise InputError("length and weight say the same; give one of them")
    bare_m, bare_deviation = _measured(said, "bare", "m", 0.016)
    overall_m, overall_deviation = _measured(said, "overall", "m", 0.014)
    length_m, length_deviation = _measured(said, "length", "m", 0.02)
    mass, deviation = _measured(said, "weight", "kg", 0.02)
    if mass is not None and deviation is not None:
        length_m, length_deviation = length_of_mass(kind, mass, deviation / mass)
    given = {
        "wire": kind.name,
        "maker": said.get("maker"),
        "bare_m": bare_m,
        "bare_deviation": bare_deviation,
        "overall_m": overall_m,
        "overall_deviation": overall_deviation,
        "length_m": length_m,
        "length_deviation": length_deviation,
        "opened_on": said.get("opened"),
        "emptied_on": said.get("emptied"),
    }
    with book.writing():
        done = _labelled(book, Spool, label, given)
        if ohms := said.get("ten_metres"):
            if not said.get("temperature"):
                raise InputError("ten metres need the temperature of the wire, such as '21 °C ± 1'; 1 K is 0.4 %")
            celsius, celsius_deviation = stated_temperature(said["temperature"])
            book.add(
                WireReading(
                    spool=book.labelled(Spool, label).uid,
                    read_at=now(),
                    length_m=10.0,
                    length_deviation=0.005,
                    resistance=parse_quantity(ohms, "Ω"),
                    text_as_typed=ohms,
                    celsius=celsius,
                    celsius_deviation=celsius_deviation,
                    meter=book.labelled(Meter, said["meter"]).uid if said.get("meter") else None,
                )
            )
            done += ", with ten metres on the ohmmeter"
    return f"spool {label}: {done}"


def _enter_magnets(book: Book, label: str, said: Said) -> str:
    from labkit.pickup.magnetics.magnet import magnet

    grade = magnet(_due(book, MagnetLot, label, said, "grade", "'Alnico 5'")).name
    count = said.get("count")
    if count and not re.fullmatch(r"\d{1,9}", count.strip()):
        raise InputError(f"count: must be a whole number of magnets; got '{count}'")
    given = {"grade": grade, "count": int(count) if count else None, "bought_on": said.get("bought")}
    return f"lot of magnets {label}: {_labelled(book, MagnetLot, label, given)}"


def _enter_meter(book: Book, label: str, said: Said) -> str:
    kind = _due(book, Meter, label, said, "kind", "ohms, lcr, sweep, field or thermometer")
    accuracy = said.get("accuracy")
    given = {"kind": kind, "unit": said.get("unit"), "accuracy": parse_quantity(accuracy, "1") if accuracy else None}
    return f"meter {label}: {_labelled(book, Meter, label, given)}"


def _enter_check(book: Book, label: str, said: Said) -> str:
    from labkit.book.evidence import meter_evidence

    found = book.labelled(Meter, label)
    known, grade = said.get("known"), said.get("grade")
    for key in ("piece", "shown"):
        if not said.get(key):
            raise InputError(f"a check of {label} needs what it {'measured' if key == 'piece' else 'showed'}: {key}")
    if not known and not grade:
        raise InputError(
            "a check needs what the piece is: known, such as '1 kΩ ± 0.01 %', or the grade of a charged magnet"
        )
    unit = "1" if found.unit == MARKS else METER_UNITS[found.kind]
    known_value, known_deviation = _measured(said, "known", unit, 0.0)
    book.add(
        Calibration(
            meter=found.uid,
            done_at=now(),
            piece=said["piece"],
            grade=grade or None,
            known=known_value,
            known_deviation=known_deviation,
            shown=parse_quantity(said["shown"], unit),
        )
    )
    checks = meter_evidence(book, found)
    gain = f"; it shows {100 * math.expm1(checks.gain):+.2f} % too much" if known else ""
    return f"meter {label}: {len(checks.checks)} check{'s' if len(checks.checks) > 1 else ''} in the book{gain}"


def _by_label(kind: type[BookRecord]) -> Callable[[Book, str, Said], str]:
    return lambda book, label, said: f"{kind.name_of_one} {label}: {_labelled(book, kind, label, {})}"


THINGS: Mapping[str, ThingKind] = MappingProxyType(
    {
        "spool": ThingKind(
            words="Reel of wire",
            meaning="Enter the spool LABEL, say more about it, or enter ten metres of its wire on the ohmmeter.",
            enter=_enter_spool,
            fields=(
                ThingField(
                    key="wire",
                    words="Wire",
                    example="AWG 42 single build",
                    meaning="Name of the wire in the catalogue; due for a new spool.",
                ),
                ThingField(
                    key="maker",
                    words="From",
                    example="first mill",
                    meaning="Whose wire, so that spools of one maker count as alike.",
                ),
                ThingField(
                    key="length",
                    words="Length when opened",
                    example="4000 m ± 2 %",
                    meaning="On it when it was opened, '4000 m ± 2 %'.",
                ),
                ThingField(
                    key="weight",
                    words="or weight of the wire",
                    example="450 g ± 2 %",
                    meaning="The same by the weight of the wire alone, '113 g ± 2 %'.",
                ),
                ThingField(
                    key="bare",
                    words="Bare, by micrometer",
                    example="62.8 µm ± 0.5 µm",
                    meaning="Copper by micrometer, '62.8 µm ± 0.5 µm'.",
                ),
                ThingField(
                    key="overall",
                    words="Over the film",
                    example="71 µm ± 1 µm",
                    meaning="Over the film by micrometer.",
                ),
                ThingField(
                    key="ten_metres",
                    words="Ten metres on the ohmmeter",
                    example="54.4 Ω",
                    meaning="Ten metres of it on the ohmmeter, '54.4 Ω'.",
                ),
                ThingField(
                    key="temperature",
                    words="at a temperature of",
                    example="21 °C ± 1",
                    meaning="Of those ten metres, '21 °C ± 1'.",
                ),
                ThingField(key="meter", words="on the meter", example="bench ohmmeter", meaning="The ohmmeter."),
                ThingField(key="opened", words="Opened on", example="2026-03-05", meaning="When it was opened."),
                ThingField(key="emptied", words="Empty since", example="2026-06-30", meaning="When it was empty."),
            ),
        ),
        "magnets": ThingKind(
            words="Lot of magnets",
            meaning="Enter the lot of magnets LABEL, or say more about it.",
            enter=_enter_magnets,
            fields=(
                ThingField(
                    key="grade",
                    words="Grade",
                    example="Alnico 5",
                    meaning="Grade of the magnets, as in the catalogue; due for a new lot.",
                ),
                ThingField(key="count", words="Count", example="120", meaning="How many came."),
                ThingField(key="bought", words="Bought on", example="2026-03-05", meaning="When they came."),
            ),
        ),
        "machine": ThingKind(
            words="Winding machine", meaning="Enter the winding machine LABEL.", enter=_by_label(Machine)
        ),
        "bobbin": ThingKind(
            words="Bobbins",
            meaning="Enter the bobbins LABEL: a kind, or a delivery, that are alike.",
            enter=_by_label(BobbinKind),
        ),
        "meter": ThingKind(
            words="Meter",
            meaning="Enter the meter LABEL, or say more about it.",
            enter=_enter_meter,
            fields=(
                ThingField(
                    key="kind",
                    words="Kind",
                    example="ohms, lcr, sweep, field or thermometer",
                    meaning="ohms, lcr, sweep, field or thermometer; due for a new meter.",
                ),
                ThingField(
                    key="unit",
                    words="Unit of a number without one",
                    example="kΩ",
                    meaning="Of a number without one, such as kΩ; 'marks' for a field meter of its own scale.",
                ),
                ThingField(
                    key="accuracy", words="Accuracy", example="0.5 %", meaning="95 % of the value, such as '0.5 %'."
                ),
            ),
        ),
        "check-meter": ThingKind(
            words="Check of a meter",
            meaning="Enter a check of the meter LABEL on a known piece; its readings are corrected by it from then on.",
            enter=_enter_check,
            fields=(
                ThingField(
                    key="piece",
                    words="Piece",
                    example="1 kΩ, 0.01 %",
                    meaning="What was measured, such as '1 kΩ, 0.01 %'.",
                ),
                ThingField(key="shown", words="Shown", example="1.002 kΩ", meaning="What the meter showed."),
                ThingField(
                    key="known",
                    words="Known",
                    example="1 kΩ ± 0.01 %",
                    meaning="What the piece is, '1 kΩ ± 0.01 %'; leave out for a magnet of a grade.",
                ),
                ThingField(
                    key="grade",
                    words="or grade of a magnet",
                    example="Alnico 5",
                    meaning="Grade of a fully charged magnet that was measured.",
                ),
            ),
        ),
    }
)
"""What is entered by its label, with what can be said of it."""
