"""Feed one target with the coverage-guided engine: ``python -m tests.fuzz TARGET --seconds N``.

Needs atheris, which the ordinary tests do not (the extra ``fuzz``). Inputs that reach new code gather in
``--corpus`` (outside the checkout by default), inputs that break a promise are written to ``--faults``. Everything
after ``--`` goes to libFuzzer as it is.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import resource
import sys
import tempfile
from pathlib import Path

from tests.fuzz.kept import SEEDS

MOST_MEMORY_MB = 2500
"""Resident; numpy, scipy and the catalogue take some 300 MB under instrumentation."""

SLOWEST_S = 10
"""Seconds for one input under instrumentation, which costs three to five times the plain time, on a shared machine."""

INSTRUMENTED = ["labkit", "tomllib", "urllib", "skrf.io.touchstone"]


def main() -> None:
    """Run the engine; the exit code is libFuzzer's."""
    arguments, further = _arguments()
    # a person's own sheets stay out of it, as in the tests
    os.environ["XDG_DATA_HOME"] = tempfile.mkdtemp(prefix="labkit-fuzz-home-")
    os.environ.pop("LABKIT_CATALOGUE", None)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1 << 28, 1 << 28))
    import atheris

    for folder in (arguments.corpus, arguments.faults):
        folder.mkdir(parents=True, exist_ok=True)
    with atheris.instrument_imports(include=INSTRUMENTED):
        from tests.fuzz.kept import kept, starting_points
        from tests.fuzz.targets import TARGETS

        target = TARGETS[arguments.target]
        for number, data in enumerate([*kept(arguments.target), *starting_points(arguments.target)]):
            (arguments.corpus / f"start-{number:03d}").write_bytes(data)
            # reading once imports what is imported late; a fault here comes again, and is told, in the run
            with contextlib.suppress(Exception):
                target(data)

        def one_input(data: bytes) -> None:
            target(data)

        options = [
            f"-max_total_time={arguments.seconds}",
            f"-max_len={arguments.longest}",
            f"-timeout={SLOWEST_S}",
            f"-rss_limit_mb={MOST_MEMORY_MB}",
            f"-artifact_prefix={arguments.faults}/",
            "-print_final_stats=1",
        ]
        atheris.Setup([sys.argv[0], *options, *further, str(arguments.corpus)], one_input)
        atheris.Fuzz()


def _arguments() -> tuple[argparse.Namespace, list[str]]:
    given = sys.argv[1:]
    further = given[given.index("--") + 1 :] if "--" in given else []
    own = given[: given.index("--")] if "--" in given else given
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("target", choices=sorted(path.name for path in SEEDS.iterdir()))
    parser.add_argument("--seconds", type=int, default=600, help="how long (default 600)")
    parser.add_argument("--longest", type=int, default=4096, help="longest input in bytes (default 4096)")
    place = Path(tempfile.gettempdir()) / "labkit-fuzz"
    parser.add_argument("--corpus", type=Path, help=f"folder of inputs that reach new code (default {place}/TARGET)")
    parser.add_argument("--faults", type=Path, help=f"folder of inputs that break a promise (default {place}/faults)")
    found = parser.parse_args(own)
    found.corpus = found.corpus or place / found.target
    found.faults = found.faults or place / "faults" / found.target
    return found, further


main()
