"""What keeps the assignment of a listening test on this side of the wire, and lets the test go on another day.

A browser keeps only a random test number and the answers. Plan and nonce follow from that number and a secret of
this machine (HMAC-SHA256, RFC 2104), so nothing that leaves the kernel before the end says what X is, and a new
kernel still finds the same plan. Which tests were opened, with which answers, is noted beside the secret: an opened
test cannot be answered again. The secret guards against peeking, not against a person who reads this machine's disk.
"""

from __future__ import annotations

import hashlib
import hmac
import os
import re
import secrets
import sys
from pathlib import Path

import platformdirs

_SECRET_BYTES = 32
TEST_NUMBER = re.compile(r"[0-9a-f]{32}")


def new_number() -> str:
    """Return the number of a new test: 128 random bits, hexadecimal."""
    return secrets.token_hex(16)


class Seal:
    """Derives plans from test numbers.

    Parameters
    ----------
    folder : Path, optional
        Where the secret and the notes of opened tests lie; the user's data folder by default.

    Attributes
    ----------
    is_lasting : bool
        False where nothing could be written: then a test lasts only as long as this kernel.
    """

    def __init__(self, folder: Path | None = None) -> None:
        self._folder = folder or Path(platformdirs.user_data_dir("labkit", appauthor=False)) / "listening"
        self.is_lasting = True
        self._opened: dict[str, str] = {}
        try:
            self._secret = self._read_or_make()
        except OSError:
            self._secret = secrets.token_bytes(_SECRET_BYTES)
            self.is_lasting = False

    def seed(self, number: str) -> int:
        """Seed of the plan of a test, 63 bits."""
        return int.from_bytes(self._derive("plan", number)[:8], "big") >> 1

    def nonce(self, number: str) -> str:
        """Nonce of a test's fingerprint, 32 hexadecimal digits."""
        return self._derive("nonce", number)[:16].hex()

    def note_opened(self, number: str, answers: str) -> None:
        """Note that the result of a test was opened with these answers (the first note stands)."""
        digest = hashlib.sha256(answers.encode()).hexdigest()
        self._opened.setdefault(number, digest)
        try:
            with self._note(number).open("x", encoding="ascii") as file:
                file.write(digest)
        except OSError:
            return

    def may_go_on(self, number: str, answers: str) -> bool:
        """Say whether a test was never opened, or was opened with exactly these answers."""
        kept = self._opened.get(number)
        if kept is None:
            try:
                kept = self._note(number).read_text(encoding="ascii")
            except (OSError, UnicodeDecodeError):
                return True
        return hmac.compare_digest(kept, hashlib.sha256(answers.encode()).hexdigest())

    def is_opened(self, number: str) -> bool:
        """Say whether the result of a test was opened here."""
        return number in self._opened or self._note(number).exists()

    def _note(self, number: str) -> Path:
        if not TEST_NUMBER.fullmatch(number):
            raise ValueError(f"no test number: {number[:40]!r}")
        return self._folder / f"opened-{number}"

    def _derive(self, purpose: str, number: str) -> bytes:
        return hmac.new(self._secret, f"labkit listening test {purpose} {number}".encode(), hashlib.sha256).digest()

    def _read_or_make(self) -> bytes:
        if sys.platform == "emscripten":
            raise OSError("a browser's Python keeps its files no longer than the page")
        path = self._folder / "secret"
        self._folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        for _ in range(2):
            try:
                found = path.read_bytes()
            except FileNotFoundError:
                found = b""
            if len(found) == _SECRET_BYTES:
                return found
            # written beside and linked into place: two kernels that start at once agree on one secret
            fresh = self._folder / f".secret-{secrets.token_hex(8)}"
            descriptor = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            try:
                with os.fdopen(descriptor, "wb") as file:
                    file.write(secrets.token_bytes(_SECRET_BYTES))
                if found:
                    os.replace(fresh, path)  # a damaged secret opens nothing any more
                else:
                    os.link(fresh, path)
            except FileExistsError:
                continue
            finally:
                fresh.unlink(missing_ok=True)
        found = path.read_bytes()
        if len(found) != _SECRET_BYTES:
            raise OSError("the secret of the listening test could not be kept")
        return found
