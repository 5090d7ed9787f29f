"""Generates the page of JSON keys, and their JSON Schemas, from real runs of every command that has ``--json``.

    python -m docs.tools.json_keys

What a key means stands in ``json_meanings.toml``; a key of a run without a meaning, or a meaning of a key that no run
gives, is refused. Only keys and kinds of value are on the page, so it is the same on every machine.
"""

from __future__ import annotations

import contextlib
import functools
import io
import json
import shutil
import tempfile
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from docs.tools.tables import table, with_options_as_code
from labkit.bench.recording.excitation import excitation
from labkit.cli.main import CHECK_FAILED, DONE, main
from labkit.core.wav import write_wav
from tests.bench.shim_bench import Lift

ROOT = Path(__file__).resolve().parents[2]
PAGE = ROOT / "docs" / "reference" / "json.md"
SCHEMAS = ROOT / "labkit" / "data" / "output_schemas.json"
MEANINGS = Path(__file__).with_name("json_meanings.toml")
SWEEPS = ROOT / "labkit" / "data" / "demo_sweeps"

SINGLE, TWO = "Saltmarsh Lane, narrow single coil", "Saltmarsh Lane, two pickups"
SHORT_TAKE = ("--take", "low note", "--rate", "8000")
READINGS = """sheet = "readings"
format = 1
name = "number 7"
temperature = "24 °C"
resistance = "5.2 kΩ"
field = [{ value = "75 mT", gap = "0 mm", pole = "A" }]
"""

GOAL = """sheet = "goal"
format = 1
name = "more than this rig can do"
rig = "Saltmarsh Lane, narrow single coil"
[target]
resonance = "12 kHz"
[[vary]]
part = "tone_capacitor"
choices = ["10 nF", "22 nF"]
"""

RUNS: Mapping[str, tuple[tuple[str, ...], ...]] = {
    "response": (
        ("response", SINGLE, "--at", "100,1k,3k"),
        ("response", TWO, "--source", "neck", "--set", "volume=0"),
        ("response", TWO, "--by-strings", "--at", "100", "--set", "neck=narrow single coil, built"),
    ),
    "pickup": (
        ("pickup", "narrow single coil, built", "--why", "--against", "narrow single coil, alnico 2, built"),
        ("pickup", "unequal two-coil, built", "--reference", "two-coil, built"),
        ("pickup", "mixed-grade single coil, built", "--reading", "40mT"),
        ("pickup", "narrow single coil"),
        ("pickup", "narrow single coil, built", "--book", "demo.book", "--spool", "reel 11"),
    ),
    "formula": (("formula", SINGLE, "--keep", "bridge"), ("formula", SINGLE, "--impedance", "--keep", "cable")),
    "netlist": (("netlist", SINGLE),),
    "schematic": (("schematic", SINGLE),),
    "wiring": (
        ("wiring", "buffer after the volume"),
        ("wiring", "two pickups, phase switch"),
        ("wiring", "one volume, one tone", "--steps"),
        ("wiring", "buffer after the volume", "--checks"),
        ("wiring", "one volume, one tone", "--checks"),
        ("wiring", "one volume, one tone", "--fault", "always: open"),
    ),
    "own-wiring": (("own-wiring", "fat: neck + bridge in series", "wide: neck + bridge"),),
    "render": (
        ("render", SINGLE, "--output", "one.wav", *SHORT_TAKE),
        ("render", SINGLE, "--set-against", "volume=5", "--output", "other.wav", *SHORT_TAKE),
        ("render", SINGLE, "--set-against", "bridge=narrow single coil, built", "--true-level", "--output", "true.wav",
         *SHORT_TAKE),
    ),
    "convert": (("convert", "one.wav", "--from", SINGLE, "--set-to", "cable.length=10m", "--output", "long.wav"),),
    "impulse": (
        ("impulse", "--from", SINGLE, "--set-to", "volume=5", "--output", "impulse.wav"),
        ("impulse", "--from", SINGLE, "--set-to", "volume=5", "--table", "difference.csv"),
    ),
    "blind prepare": (
        ("blind", "prepare", SINGLE, "--set-second", "volume=5", "--output", "test", "--trials", "1", *SHORT_TAKE),
    ),
    "blind result": (("blind", "result", "test"),),
    "sweep check": (("sweep", "check", "source.wav", "cut.wav"),),
    "sweep calibrate": (
        ("sweep", "calibrate", "source.wav", "open.wav", "shorted.wav", "--series", "220k", "--name", "box"),
    ),
    "shim": (
        ("shim", "lifted.wav", "--string", "E4", "--shim", "1 mm", "--full-scale", "0.05 V",
         "--against", "narrow single coil, built"),
        ("shim", "lifted.wav", "--string", "E4", "--shim", "1 mm", "--full-scale", "0.05 V"),
    ),
    "fit": (
        ("fit", "bare.csv", "loaded.csv", "--kind", "exciter", "--load", "none", "--load", "200k+470p",
         "--meter", "1M", "--rig-corner", "fit", "--loss", "--sections", "1"),
    ),
    "fit --coil": (
        ("fit", "bare.csv", "loaded.csv", "--kind", "exciter", "--load", "none", "--load", "none",
         "--meter", "1M", "--coil", "first", "--coil", "second"),
    ),
    "diagnose": (("diagnose", "narrow single coil, built", "readings.toml"),),
    "reproduce": (
        ("reproduce", "narrow single coil, built", "--original", "narrow single coil", "--readings", "readings.toml",
         "--wire", "AWG 42 single build", "--turns", "7500-8500"),
    ),
    "turns": (("turns", "narrow single coil, built", "7.2k"),),
    "open-coil": (
        ("open-coil", "--straight-length", "52 mm", "--end-radius", "2.5 mm", "--winding-height", "11 mm", "--build-up",
         "4.2 mm", "--bare-diameter", "63 um", "--overall-diameter", "71 um", "--wire-mass", "32 g"),
    ),
    "hum": (("hum", TWO),),
    "balance": (("balance", "neck=0", "middle=-0.6", "bridge=-2.4"),),
    "book batch": (
        ("book", "batch", "batch.csv", "--design", "Saltmarsh Lane, neck", "--book", "demo.book", "--meter",
         "bench ohmmeter", "--try"),
    ),
    "book coil": (("book", "coil", "0107", "--book", "demo.book"),),
    "book find": (("book", "find", "reel 12", "ohms > 5.8k", "--book", "demo.book"),),
    "book stock": (("book", "stock", "--book", "demo.book"),),
    "book chart": (("book", "chart", "Saltmarsh Lane, middle", "--book", "demo.book"),),
    "book pairs": (("book", "pairs", "neck", "--with", "middle", "--book", "demo.book"),),
    "book knows": (("book", "knows", "Saltmarsh Lane, neck", "--spool", "reel 11", "--book", "demo.book"),),
    "book judge": (("book", "judge", "batch 10", "--book", "demo.book"),),
    "book sets": (("book", "sets", "0101", "0107", "--as", "neck", "--as", "middle", "--book", "demo.book"),),
    "tolerance": (
        ("tolerance", SINGLE, "--count", "256", "--sensitivity", "--window", "resonance=3 kHz to 4 kHz"),
        ("tolerance", "narrow single coil, built", "--count", "256", "--book", "demo.book"),
    ),
    "search": (("search", "a lower, tamer peak with load trims"), ("search", "goal.toml")),
    "search, a ready question": (
        ("search", "hump", "--rig", SINGLE, "--at", "700"),
        ("search", "load resistor", "--rig", SINGLE, "--pots", "100k"),
    ),
    "cases": (("cases", "--model", "noise"),),
    "cases --ranges": (("cases", "--ranges"),),
    "catalogue": (("catalogue", "cable"),),
    "catalogue harness NAME": (("catalogue", "harness", "two pickups, phase switch"),),
    "catalogue --plugins": (("catalogue", "--plugins"),),
}  # fmt: skip
"""Runs by heading, in the order of `labkit --help`; some write what later ones read."""

MAPS = {
    "pickup": {"coils", "why", "why.NAME"},
    "formula": {"symbols", "sensitivities"},
    "response": {"outputs", "driven.places_m"},
    "render": {"take.coils"},
    "fit": {"correlations"},
    "shim": {"steel.values", "steel.deviations"},
    "open-coil": {"by_route"},
    "balance": {"offset_db"},
    "book sets": {"levels_db"},
    "fit --coil": {"coils"},
    "reproduce": {"builds.off", "builds.deviations"},
    "tolerance": {
        "spreads", "measures", "sensitivity.local_per_percent", "sensitivity.swings", "sensitivity.variance_shares",
        "sensitivity.variance_shares.NAME", "knowledge",
    },
    "search": {"solutions.choices", "solutions.values"},
    "catalogue harness NAME": {"pickups"},
    "catalogue --plugins": {"plugins.brings"},
}  # fmt: skip
"""Objects whose keys are names of things (a coil, a part …): shown as NAME."""

OPEN = {"blind result": {"key.details"}, "render": {"take"}, "search, a ready question": {"rows"}}
"""Objects that record how to make a thing again (in the keys of sheets), or whose keys depend on the question."""

_JSON_TYPES = {
    dict: "object", list: "array", str: "string", bool: "boolean", int: "number", float: "number", type(None): "null"
}  # fmt: skip

INTERVAL = {"value", "low", "high"}

HEAD = """# JSON keys

Generated by `python -m docs.tools.json_keys` from runs of every command that has `--json`. Values are SI without
prefix; the end of a key names the unit (`_hz`, `_ohm`, `_h`, `_f`, `_m`, `_t`, `_db`, `_deg`, `_s`). An *interval* is
an object with `value`, `low` and `high`: 95 % bounds unless the key says otherwise. NAME stands for a name of yours,
such as that of a coil; `[]` for each entry of a list. What is not a finite number is `null`. Keys may be added in a
later version, and [none of these goes away](../plugins/stability.md) within one. `labkit schema --output-of COMMAND`
prints the JSON Schema of each.
"""

TEXT_LISTS = ("warnings", "problems")
"""Lists of sentences that are empty in a good run."""

Kinds = dict[str, set[str]]


def generate() -> str:
    """Return the text of the page."""
    parts = [HEAD]
    for name, documents in documents_of_runs().items():
        kinds = _kinds(documents, name)
        own = _meanings(name, kinds)
        rows = (
            (f"`{path}`", _kind_text(found_kinds), with_options_as_code(own[path]))
            for path, found_kinds in kinds.items()
        )
        parts += [f"## {with_options_as_code(name)}", "", table(("key", "value", "meaning"), rows), ""]
    return "\n".join(parts).rstrip() + "\n"


def schemas() -> str:
    """Return the JSON Schemas of the outputs by heading, as one JSON text.

    Required is what every run gave. Every number may be null, since what is not finite is; more keys may come.
    """
    found = {}
    for name, documents in documents_of_runs().items():
        found[name] = _schema(documents, name, "", _meanings(name, _kinds(documents, name)))
    return json.dumps(found, ensure_ascii=False, separators=(",", ":")).replace('},"', '},\n"') + "\n"


def _meanings(name: str, kinds: Kinds) -> Mapping[str, str]:
    own: Mapping[str, str] = tomllib.loads(MEANINGS.read_text(encoding="utf-8")).get(name, {})
    missing, gone = kinds.keys() - own.keys(), own.keys() - kinds.keys()
    if missing or gone:
        raise ValueError(f"json_meanings.toml, [{name}]: lacks {sorted(missing)}, has in vain {sorted(gone)}")
    return own


def _kinds(documents: Sequence[Any], name: str) -> Kinds:
    """Return the kinds of value by key."""
    kinds: Kinds = {}
    for document in documents:
        for path, kind in _walk(document, name, ""):
            kinds.setdefault(path, set()).add(kind)
    return kinds


def _schema(values: Sequence[Any], name: str, path: str, meanings: Mapping[str, str]) -> dict[str, Any]:
    """Return the schema that takes all values that were found at one place."""
    types = {_JSON_TYPES[type(value)] for value in values}
    types |= {"null"} if "number" in types else set()
    made: dict[str, Any] = {"type": sorted(types) if len(types) > 1 else min(types)}
    if path in meanings:
        made["description"] = meanings[path]
    objects = [value for value in values if isinstance(value, Mapping)]
    plain = path.replace("[]", "")
    if objects and plain not in OPEN.get(name, ()):
        keys = list(dict.fromkeys(key for value in objects for key in value))
        if plain in MAPS.get(name, ()):
            inner = [each for value in objects for each in value.values()]
            made["additionalProperties"] = _schema(inner, name, f"{path}.NAME".lstrip("."), meanings) if inner else True
        else:
            made["properties"] = {
                key: _schema(
                    [value[key] for value in objects if key in value], name, f"{path}.{key}".lstrip("."), meanings
                )
                for key in keys
            }
            made["required"] = [key for key in keys if all(key in value for value in objects)]
    entries = [each for value in values if isinstance(value, list) for each in value]
    if entries:
        made["items"] = _schema(entries, name, f"{path}[]", meanings)
    return made


@functools.cache
def documents_of_runs() -> dict[str, list[Any]]:
    """Run everything in a temporary folder and return what is printed, by heading."""
    found: dict[str, list[Any]] = {}
    with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):
        for file in SWEEPS.glob("*.csv"):
            shutil.copy(file, file.name)
        Path("readings.toml").write_text(READINGS, encoding="utf-8")
        Path("goal.toml").write_text(GOAL, encoding="utf-8")
        Path("batch.csv").write_text("serial,ohms,note\n0161,5.81,\n0162,581,read warm\n0163,five,\n", encoding="utf-8")
        _run("book", "new", "demo.book", "--demo")
        _run("book", "repair", "0107", "lead renewed", "--on", "2026-08-01", "--book", "demo.book")
        _run("book", "note", "0107", "sounds well", "--book", "demo.book")
        _write_takes()
        for name, runs in RUNS.items():
            if name == "blind result":
                _run("blind", "answer", "test", "--trial", "1", "--choice", "cannot tell")
            found[name] = [json.loads(_run(*arguments, "--json")) for arguments in runs]
    return found


def _write_takes() -> None:
    """Write takes of an interface without faults of its own, a lifted string, and a take that ends too early."""
    played = excitation("sweeps", 44_100)
    for name, share in (("source", 0.9), ("open", 0.7), ("shorted", 1e-4)):
        write_wav(Path(f"{name}.wav"), np.stack([played, share * played]), 44_100)
    write_wav(Path("lifted.wav"), Lift(moves=10).recording(2, short=4), Lift().rate)
    write_wav(Path("cut.wav"), np.stack([played, 0.5 * played])[:, :200_000], 44_100)


def _run(*arguments: str) -> str:
    out, errors = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(errors):
        code = main(list(arguments))
    if code not in (DONE, CHECK_FAILED):
        raise RuntimeError(f"labkit {' '.join(arguments)} ended with {code}: {errors.getvalue()}")
    return out.getvalue()


def _walk(data: Any, name: str, path: str) -> Iterator[tuple[str, str]]:
    """Yield every path below a value with its kind."""
    if path and not (path.endswith("NAME") and isinstance(data, Mapping) and data.keys() != INTERVAL):
        yield path, "list of texts" if path.split(".")[-1] in TEXT_LISTS else _kind(data)
    if isinstance(data, list) and any(isinstance(entry, Mapping) for entry in data):
        for entry in data:
            yield from _below(entry, name, path, f"{path}[]")
    elif isinstance(data, Mapping):
        yield from _below(data, name, path, path)


def _below(data: Mapping[str, Any], name: str, path: str, shown: str) -> Iterator[tuple[str, str]]:
    plain = shown.replace("[]", "").lstrip(".")
    if data.keys() == INTERVAL or plain in OPEN.get(name, ()):
        return
    is_map = plain in MAPS.get(name, ())
    for key, value in data.items():
        yield from _walk(value, name, f"{shown}.{'NAME' if is_map else key}".lstrip("."))


def _kind(data: Any) -> str:
    if isinstance(data, Mapping):
        return "interval" if data.keys() == INTERVAL else "object"
    if isinstance(data, list):
        inner = {_kind(entry) for entry in data} - {"null"}
        if not inner:
            return "list"
        if all(isinstance(entry, list) for entry in data):
            return "list of pairs" if all(len(entry) == 2 for entry in data) else "list of lists"
        return f"list of {' or '.join(sorted({'objects' if kind == 'object' else f'{kind}s' for kind in inner}))}"
    names = {bool: "true or false", int: "number", float: "number", str: "text", type(None): "null"}
    return names[type(data)]


def _kind_text(kinds: set[str]) -> str:
    if any(kind.startswith("list of") for kind in kinds):
        kinds = kinds - {"list"}
    return " or ".join(sorted(kinds - {"null"}) + sorted(kinds & {"null"}))


def write() -> None:
    """Write the page and the schemas."""
    PAGE.write_text(generate(), encoding="utf-8")
    SCHEMAS.write_text(schemas(), encoding="utf-8")


if __name__ == "__main__":
    write()
