"""Run as a program of its own: pages with the site's stand-ins for widgets, and what a browser lacks blocked."""

from __future__ import annotations

import json
import sys

BLOCKED = "scipy matplotlib sympy lcapy soundfile sqlite3 ipywidgets anywidget multiprocessing tornado IPython psutil"


class Lacking:
    """Finds none of the blocked modules."""

    def find_spec(self, name: str, *_: object) -> None:
        if name.partition(".")[0] in BLOCKED.split():
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)


sys.meta_path.insert(0, Lacking())

from labkit.app.site.visit import open_page, receive  # noqa: E402


class Page:
    """The client's side, without a browser: every widget's state as the page has it."""

    def __init__(self, name: str, query: str = "") -> None:
        self.said: list[dict] = []
        self.widgets = json.loads(open_page(name, query, self._take))["widgets"]

    def _take(self, text: str, buffers: list[bytes]) -> None:
        for message in json.loads(text):
            if "state" in message:
                self.widgets[message["id"]]["state"].update(message["state"])
            else:
                self.said.append({"kind": self.widgets[message["id"]]["kind"], **message})
        self.sizes = [len(each) for each in buffers]
        self.buffers = buffers

    def sounds(self) -> list[str]:
        """How the files that came last begin."""
        return [bytes(each[:12]).decode("latin-1") for each in self.buffers]

    def first(self, kind: str) -> tuple[str, dict]:
        return next((number, each["state"]) for number, each in self.widgets.items() if each["kind"] == kind)

    def send(self, kind: str, **content: object) -> None:
        receive(json.dumps({"id": self.first(kind)[0], "content": content}), [])


def report() -> dict[str, object]:
    """What the tests ask about."""
    found: dict[str, object] = {}
    for name in sys.argv[1].split(","):
        page = Page(name)
        page.send("ListeningBar", do="start")
        sound = [each for each in page.said if each["kind"] == "ListeningBar"][-1]
        found[name] = {
            "svg": page.first("CurveView")[1]["svg"],
            "sides": sorted(sound["content"].get("sides", {})),
            "buffers": page.sizes,
        }
    page = Page("listening_test")
    page.send("ListeningDesk", do="prepare")
    page.send("ListeningDesk", do="begin")
    found["trial sounds"] = page.sounds()
    for trial in range(1, 17):
        page.send("ListeningDesk", do="answer", choice="a", trial=trial)
    page.send("ListeningDesk", do="finish")
    found["result"] = page.first("ListeningDesk")[1]["view"]
    page = Page("wiring")
    by_name = {each["state"].get("description"): number for number, each in page.widgets.items()}
    receive(
        json.dumps({"id": by_name["Positions"], "state": {"value": "neck: neck\nfat: neck + bridge in series"}}), []
    )
    receive(json.dumps({"id": by_name["Find the switch"], "content": {"event": "click"}}), [])
    found["own wiring"] = [
        page.widgets[by_name["What the meter shows"]]["state"]["value"],
        page.widgets[by_name["Switch"]]["state"]["value"],
        *(each["state"]["value"] for each in page.widgets.values() if "It is in your rig now" in str(each["state"])),
    ]
    page = Page("rig", sys.argv[2])
    opened = page.first("ActionBar")[1]["query"]
    page.send("ControlPanel", do="type", key="cable.length", text="3 m")
    moved = page.first("ActionBar")[1]["query"]
    page.send("ActionBar", do="undo")
    number, _ = page.first("CurveView")
    receive(json.dumps({"id": number, "state": {"width": 500, "height": 9, "is_tall": "no"}}), [])
    receive(json.dumps({"id": "nobody", "content": {}}), [])
    page.send("FileOffers", do="make", key="png")
    found["queries"] = [opened, moved, page.first("ActionBar")[1]["query"]]
    found["narrow"] = page.first("CurveView")[1]["svg"]
    found["told"] = [each["content"] for each in page.said if each["kind"] == "FileOffers"]
    found["loaded"] = sorted(name for name in BLOCKED.split() if name in sys.modules)
    return found


print(json.dumps(report()))
