"""Inputs to begin with: those that are kept, and what the project itself holds.

Kept are, in ``seeds/TARGET/``: ``corpus.txt``, a minimised set that reaches the code the long runs reached, one input a
line in base64; and one file for every input that ever broke a promise, whose name says what must hold.
"""

from __future__ import annotations

import base64
import datetime
import io
from collections.abc import Iterator
from pathlib import Path

SEEDS = Path(__file__).parent / "seeds"
CORPUS = "corpus.txt"


def corpus(target: str) -> list[bytes]:
    """Return the minimised set of a target."""
    path = SEEDS / target / CORPUS
    return [base64.b64decode(line) for line in path.read_text().splitlines()] if path.exists() else []


def faults(target: str) -> dict[str, bytes]:
    """Return the inputs that once broke a promise of a target, by the claim that holds now."""
    folder = SEEDS / target
    return {path.name: path.read_bytes() for path in sorted(folder.glob("*")) if path.name != CORPUS}


def kept(target: str) -> list[bytes]:
    """Return everything that is kept for a target."""
    return [*corpus(target), *faults(target).values()]


def starting_points(target: str) -> Iterator[bytes]:
    """Yield inputs that the readers know, made from what the project ships."""
    yield from {
        "quantity": _quantities,
        "sheet": _sheets,
        "sweep": _sweeps,
        "spice": _netlists,
        "expression": _expressions,
        "wav": _sounds,
        "recording": _recordings,
        "lift": _lifts,
        "page": _addresses,
        "book": _books,
    }[target]()


def _expressions() -> Iterator[bytes]:
    for text in (
        "1",
        "2*(load + 1)^2",
        "-2^2",
        "2**3**2",
        "1.5e3/-.5 - +4",
        "load > 2 ? r1 : c",
        "sqrt(load)*max(1, r1, 3)",
        "(1 + 2)*(3 - 4)/5",
        "8/4/2 - 3 - 2",
        "pow(2, 0.5) + atan(1)*4/pi",
        "(((((1)))))",
        "1 == 1 ? 2 <= 3 ? 4 : 5 : 6",
    ):
        yield text.encode()


def _quantities() -> Iterator[bytes]:
    from labkit.core.units import UNITS

    for index, unit in enumerate(UNITS.values()):
        yield bytes([index]) + unit.example.encode()
        for spelling in unit.known:
            yield bytes([index]) + f"1.5e3 {spelling}".encode()
    for text in ("4k7", "p33", "470R", "4K7J", "0,022 uF", "2n2", "1,000 Ω", "-3", "10 %", "4k7 Ω", "1e-320 Ω"):
        yield b"\0" + text.encode()
        yield b"\1" + text.encode()


def _sheets() -> Iterator[bytes]:
    """The shortest sheets of every folder of the catalogue: long ones teach an engine little that is new."""
    from labkit.core.files import shipped_sheet_folders

    folders = shipped_sheet_folders()
    by_folder: dict[Path, list[Path]] = {}
    for folder in folders:
        for path in sorted(folder.rglob("*.toml")):
            by_folder.setdefault(path.parent, []).append(path)
    for paths in by_folder.values():
        for path in sorted(paths, key=lambda path: path.stat().st_size)[:4]:
            yield path.read_bytes()
    from labkit.catalogue import catalogue
    from labkit.core.sheet import sheet_text
    from labkit.rig.sheet import rig_data

    found = catalogue()
    for name in found.usable_names("rig")[:2]:
        yield sheet_text("rig", rig_data(found.load("rig", name))).encode()
    for item in found.items.values():
        # one entry of a table of like things, as a sheet of its own
        data = {key: value for key, value in item.data.items() if key not in ("sheet", "format")}
        text = sheet_text(item.kind, data).encode()
        if len(text) < 300:
            yield text


def _books() -> Iterator[bytes]:
    from labkit.core.files import DEMO_BOOK

    for text in (
        "0161\t5,912\t2,213\t6120\n0162\topen\n",
        "serial;ohms [Ω];henries;Q\r\n1;5912;2,2;2,1\r\n",
        "Number,DCR (kohm),Ls (mH),series resistance (kΩ),field,note\n7,5.9,2190,6.1,41,warm\n",
        "1 5k9 2213mH 6k12\n2 5.9! - 6100\n",
        "serial,ohms,farads,peak,height,turns,build-up,D\n1,5.9,95,4350,6.9,8000,4.2,0.4",
    ):
        yield b"\0" + text.encode()
    for number, name in ((1, "readings.csv"), (2, "coils.csv")):
        lines = (DEMO_BOOK / name).read_bytes().splitlines(keepends=True)
        yield bytes([number]) + b"".join(lines[:4])
        yield bytes([number]) + b"".join([lines[0], *lines[-2:]])
    yield b"\3" + (DEMO_BOOK / "things.toml").read_bytes()
    yield b'\3sheet = "workshop book"\nformat = 1\n[[meter]]\nuid = "1"\nlabel = "x"\nkind = "ohms"\naccuracy = 1\n'


def _sweeps() -> Iterator[bytes]:
    rows = [(100.0 * 1.3**step, 6000.0 + 900.0 * step, 10.0 * step) for step in range(12)]
    heads = {",": "Frequency (Hz),Impedance (ohm),Phase (deg)", ";": "Freq kHz;|Z| kOhm", "\t": ""}
    for separator, head in heads.items():
        lines = [separator.join(f"{number:.6g}" for number in row[: head.count(separator) + 1 or 2]) for row in rows]
        text = "\n".join([*([head] if head else []), *lines])
        yield b"\0" + text.encode()
        yield b"\2" + text.replace(".", ",").replace("\n", "\r\n").encode("utf-16")
        yield b"\2\xef\xbb\xbf" + text.encode()
    for kind in ("S MA", "Z RI", "Y DB", "S RI"):
        text = "\n".join(f"{f:.6g} {0.9 - 0.01 * step} {0.1 * step}" for step, (f, _, _) in enumerate(rows))
        yield b"\1" + f"! one port\n# Hz {kind} R 50\n{text}\n".encode()
    yield b"\4# Hz S RI R 50\n" + text.encode()
    yield (
        b"\3# Hz S RI R 50\n"
        + "\n".join(
            f"{f:.6g} .98 .01 {100 / (z + 100):.6g} -.001 {100 / (z + 100):.6g} -.001 .98 .01" for f, z, _ in rows
        ).encode()
    )
    yield b"\0Frequency(Hz),Ls(H),Rs(Ohm)\n" + "\n".join(f"{f:.6g},2.4,{z:.6g}" for f, z, _ in rows).encode()
    yield (
        b"\2f [kHz]\tCp [pF]\tD\n"
        + "\n".join(f"{f / 1e3:.6g}\t-{z}\t0.{step}" for step, (f, z, _) in enumerate(rows)).encode()
    )
    for cell in ("{z:g}+{p:g}j", "{z:g} - j{p:g}", "({z:g},{p:g})", "{z:g}Ω ∠ {p:g}°", "(-{p:g}dB,{p:g}°)"):
        cells = [f"{f:g} Hz\t" + cell.format(z=z, p=p) for f, z, p in rows]
        yield b"\2Freq.\tZ (ohm)\n" + "\n".join(cells).encode()
    printed = [f"{step}\t{f:e}\t{z:e},\t{p:e}\t" for step, (f, z, p) in enumerate(rows)]
    yield b"\2Index   frequency       v(out)\n-----\n" + "\n".join(printed).encode()
    yield b"\2" + "\n".join(f" {f:e} {z:e} {f:e} -{p:e}" for f, z, p in rows).encode()
    yield (
        b"\0"
        + "log10(f),Z\n".encode("utf-16-le")
        + "\n".join(f"{1.3 + 0.25 * i},{r[1]}" for i, r in enumerate(rows)).encode("utf-16-le")
    )
    yield b"\6Frequency (Hz)\tImpedance (ohm)\n" + "\n".join(f"{f:g}\t{z:g}" for f, z, _ in rows).encode()
    yield b"\4[Version] 2.0\n# Hz S RI R 50\n[Number of Ports] 1\n[Network Data]\n100 .5 0.1\n200 0.4 0.1\n[End]\n"


def _netlists() -> Iterator[bytes]:
    from labkit.catalogue import catalogue
    from labkit.circuit.spice.deck import spice_deck

    yield b"divider\nV1 in 0 AC 1\nR1 in out 1MEG\nC1 out 0 22N\n.end\n"
    yield b"coupled\n.param g=0.9 q={4.7k}\nV1 a 0 AC 1 90\nL1 a b 2.5\nL2 b out 2,5\nK1 L1 L2 {g}\n+ \nR1 out 0 'q'\n"
    yield b"buffer\nV1 in 0\nE1 x 0 in 0 1\nR1 x out 1k $ why\n.print ac v(out) vdb(out)\n.control\nrun\n.endc\n"
    yield b"V1 out 0 AC 1\nR1 out 0 1M\n"
    yield b"* waves\nV1 in 0 DC 1 SIN (0 1 1k) AC 1 180\nV2 b 0 PULSE 0 1\nR1 in out 1m ic=0\nC1 out 0 1f1\n"
    yield b"options\nV1 out 0 AC 1\n.options rshunt=1e15 gmin=1\n.model a b\n.control\nalter R1 1\n.endc\n"
    found = catalogue()
    for name in found.usable_names("rig")[:3]:
        yield spice_deck(found.load("rig", name).circuit).encode()


def _sounds() -> Iterator[bytes]:
    import numpy as np
    import soundfile

    samples = 0.5 * np.sin(np.arange(24) / 3)
    for subtype in ("PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE", "PCM_U8", "ULAW", "IMA_ADPCM"):
        for channels in (1, 2):
            buffer = io.BytesIO()
            soundfile.write(buffer, np.column_stack([samples] * channels), 44_100, subtype=subtype, format="WAV")
            yield buffer.getvalue()
    for format in ("WAVEX", "RF64", "W64", "AIFF", "FLAC"):
        buffer = io.BytesIO()
        soundfile.write(buffer, samples, 48_000, format=format)
        yield buffer.getvalue()


def _recordings() -> Iterator[bytes]:
    """Sound files, spoilt takes (what, where, how long, how much, which channel), and a calibration of eight points."""
    from labkit.core.sheet import sheet_text

    for sound in list(_sounds())[1::19]:  # two channels of 16 bit, and FLAC: too short for a take
        yield (b"\1" if sound.startswith(b"fLaC") else b"\0") + sound
    yield b"\2"
    spoilt = (
        b"\0\x80\0\x40\0",  # 64 samples lost
        b"\1\x70\x09\x90\xff",  # a louder stretch
        b"\2\x08\x06\0\0",  # a short gap in the silence
        b"\3\0\x09\xc0\xff",
        b"\4\0\x02\1\1",
        b"\7\x60\x07\1\1",
        b"\7\0\x05\1\1\4\0\x01\1\1",
    )
    for edits in spoilt:
        yield b"\2" + edits
    frequency = [100.0 * 1.5**step for step in range(12)]
    ratios = {
        key: {"real": [size] * 12, "imaginary": [0.0] * 12, "sigma": [1e-5] * 12}
        for key, size in (("source", 0.98), ("open", 0.8), ("shorted", 1e-4))
    }
    for signal in ("sweeps", "tones"):
        data = {"name": "bench box", "made": datetime.date(2026, 3, 2), "signal": signal, "series_resistor": "220 kΩ"}
        more = {"series_tolerance": "1 %", "series_capacitance": "0.25 pF", "frequency_hz": frequency}
        yield b"\3" + sheet_text("interface", {**data, **more, **ratios}).encode()


def _lifts() -> Iterator[bytes]:
    """Lifts and returns over one second each, behind an input with a corner or without, with hum or without."""
    import numpy as np

    time = np.arange(900) / 100
    for moves, corner_hz, hum in ((8, 0.0, 0.0), (7, 1.0, 0.0), (6, 3.0, 0.1), (8, 0.5, 0.3)):
        height = sum((-1) ** move * np.clip((time - move - 0.8) / 0.06, 0, 1) for move in range(moves))
        volts, passed = np.gradient(height), []
        slow = 0.0
        for each in volts:
            slow += 2 * np.pi * corner_hz / 100 * (each - slow)
            passed.append(each - slow)
        heard = 500 * np.array(passed) + 127 * hum * np.sin(2 * np.pi * 49 * time)
        yield b"\1" + np.clip(np.round(heard), -127, 127).astype(np.int8).tobytes()


def _addresses() -> Iterator[bytes]:
    from labkit.app.kit.panels import panels
    from labkit.catalogue import catalogue
    from tests.fuzz.targets import PAGES, _make

    for index, page in enumerate(PAGES):
        if page in ("panel", "record", "packed rig"):
            continue
        bench = _make(page)
        yield bytes([index]) + b"v=1&own.part=volume&own.trials=20"
        if page == "trust":
            yield bytes([index]) + b"v=1&own.model=coils&own.show=validation"
            continue
        for control in bench.controls:
            # each control moved, as its own address
            for place in (0, len(control.positions) // 2, -1):
                if control.key in bench.controls:
                    bench.set_index(control.key, range(len(control.positions))[place])
            if len(bench.query) < 600:
                yield bytes([index]) + bench.query.encode()
            bench.undo()
    for rig in catalogue().usable_names("rig"):
        once, twice = rig.replace(" ", "+"), rig.replace(" ", "%2B")
        yield b"\0" + f"v=1&rig={once}&volume=3&pin=rig%3D{twice}%26tone%3D2".encode()
    for name in panels():
        yield bytes([PAGES.index("panel")]) + name.encode()
    yield bytes([PAGES.index("record")]) + (
        b'{"kind": "labkit listening test", "format": 1, "test": "abcd", "comparison": "", "rigs": ["a", "b"], '
        b'"trials": 16, "fingerprint": "' + b"0" * 64 + b'", "answers": [["a", "x"]], "practised": 0}'
    )
    import json

    from labkit.rig.sheet import rig_data

    rig = catalogue().load("rig", catalogue().usable_names("rig")[0])
    yield bytes([PAGES.index("packed rig")]) + json.dumps(rig_data(rig)).encode()
