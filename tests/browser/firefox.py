"""A Firefox as the system has it, driven by its own remote protocol (WebDriver BiDi) over one socket.

Playwright drives only a Firefox that it has changed itself, which no package registry holds; see
docs/decisions/tests-second-browser.md. Here is just what `test_firefox` needs.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import time
from pathlib import Path
from typing import Any

from tests.browser.conftest import PATIENCE_MS

_PREFERENCES = {
    "media.autoplay.default": 0,  # a page may sound before somebody has pressed something
    "media.autoplay.blocking_policy": 0,
    "datareporting.policy.dataSubmissionEnabled": False,
    "app.update.enabled": False,
    "browser.shell.checkDefaultBrowser": False,
}


_PARTING = ("Kernel connection is disposed", "Cannot send")
"""What the widget library says of a page that is left while something is on its way."""


class NoFirefoxError(Exception):
    """What is there under its name does not run here: another store's stand-in, or one that may not read our folder."""


class Firefox:
    """One running Firefox with one page.

    Parameters
    ----------
    path : str
        Its command.
    folder : Path
        Empty; for its profile.

    Raises
    ------
    NoFirefoxError
        It ends, or never listens.
    """

    def __init__(self, path: str, folder: Path) -> None:
        import websocket

        lines = [f"user_pref({json.dumps(name)}, {json.dumps(value)});" for name, value in _PREFERENCES.items()]
        (folder / "user.js").write_text("\n".join(lines))
        command = [path, "--headless", "--no-remote", "--profile", str(folder), "--remote-debugging-port", "0"]
        said = folder / "said.txt"  # a pipe that nobody reads on would stop it once full
        with said.open("wb") as output:
            self._process = subprocess.Popen(
                command, stdout=output, stderr=subprocess.STDOUT, env=os.environ | {"HOME": str(folder)}
            )
        ends = time.monotonic() + PATIENCE_MS / 1000
        while not (address := re.search(r"ws://[\w.:]+(?=\s)", said.read_text("utf-8", "replace"))):
            if self._process.poll() is not None or time.monotonic() > ends:
                self._process.kill()
                self._process.wait(10)
                raise NoFirefoxError(f"{path} does not start: {said.read_text('utf-8', 'replace')[-400:]}")
            time.sleep(0.05)
        self._socket = websocket.create_connection(
            f"{address[0]}/session", suppress_origin=True, timeout=PATIENCE_MS / 1000
        )
        self._asked = 0
        self.errors: list[str] = []
        """What pages wrote as errors."""
        self._ask("session.new", capabilities={})
        self._page = self._ask("browsingContext.getTree")["contexts"][0]["context"]
        self._ask("session.subscribe", events=["log.entryAdded"])

    def _ask(self, method: str, **params: Any) -> Any:
        self._asked += 1
        self._socket.send(json.dumps({"id": self._asked, "method": method, "params": params}))
        while True:
            answer = json.loads(self._socket.recv())
            said = answer["params"] if answer.get("method") == "log.entryAdded" else {}
            if said.get("level") == "error" and not any(words in said["text"] for words in _PARTING):
                self.errors.append(said["text"])
            if answer.get("id") == self._asked:
                assert answer["type"] == "success", f"{method}: {answer.get('message')}"
                return answer["result"]

    def resize(self, width: int, height: int = 900) -> None:
        """Give the page a size, CSS pixels."""
        self._ask("browsingContext.setViewport", context=self._page, viewport={"width": width, "height": height})

    def open(self, address: str) -> None:
        """Go to an address, at 1280 by 900."""
        self.resize(1280)
        self._ask("browsingContext.navigate", context=self._page, url=address, wait="complete")

    def evaluate(self, code: str) -> Any:
        """Return what an expression of JavaScript gives, as JSON has it."""
        expression = f"JSON.stringify(({code}) ?? null)"
        answer = self._ask("script.evaluate", expression=expression, target={"context": self._page}, awaitPromise=True)
        assert answer["type"] == "success", answer["exceptionDetails"]["text"]
        return json.loads(answer["result"]["value"])

    def wait_for(self, code: str) -> None:
        """Wait until an expression is true."""
        ends = time.monotonic() + PATIENCE_MS / 1000
        while not self.evaluate(code):
            assert time.monotonic() < ends, f"never came: {code}; errors: {self.errors}"
            time.sleep(0.05)

    def press(self, key: str) -> None:
        """Press a key and let it go."""
        actions = [{"type": kind, "value": key} for kind in ("keyDown", "keyUp")]
        source = {"type": "key", "id": "keyboard", "actions": actions}
        self._ask("input.performActions", context=self._page, actions=[source])

    def close(self) -> None:
        """Leave the page, so that its kernel ends, and end the browser."""
        try:
            self._ask("browsingContext.navigate", context=self._page, url="about:blank", wait="complete")
            self._ask("browser.close")
        finally:
            self._socket.close()
            try:
                self._process.wait(20)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait(10)
