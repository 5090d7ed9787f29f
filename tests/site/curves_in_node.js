// Opens the site's own worker code in Node, which has the same engine as a browser: node curves_in_node.js SITE < names
const fs = require("node:fs"), path = require("node:path");
const site = path.resolve(process.argv[2]);
const { loadPyodide } = require(path.join(site, "runtime", "pyodide.js"));
(async () => {
  const python = await loadPyodide({ indexURL: path.join(site, "runtime") + path.sep, stdout: () => {} });
  const place = python.runPython("import site; site.getsitepackages()[0]");
  for (const name of fs.readdirSync(path.join(site, "runtime")).filter((each) => each.endsWith(".whl"))) {
    python.unpackArchive(new Uint8Array(fs.readFileSync(path.join(site, "runtime", name))), "wheel", { extractDir: place });
  }
  const packed = new Uint8Array(fs.readFileSync(path.join(site, "labkit", "labkit.zip")));
  python.unpackArchive(packed, "zip", { extractDir: place });
  python.globals.set("names", fs.readFileSync(0, "utf8"));
  process.stdout.write(python.runPython(`
import json, sys
from labkit.rig.sheet import load_rig
from labkit.app.kit.page_state import RigCurve
from labkit.app.site.visit import open_page, receive
asked, said = json.loads(names), []
def widgets(page):
    return json.loads(open_page(page, "", lambda text, buffers: said.append(len(buffers))))["widgets"]
pages = {page: next(each["state"]["svg"] for each in widgets(page).values() if each["kind"] == "CurveView") for page in asked["pages"]}
desk = next(number for number, each in widgets("listening_test").items() if each["kind"] == "ListeningDesk")
for step in ("prepare", "begin"):
    receive(json.dumps({"id": desk, "content": {"do": step}}), [])
json.dumps({"system": sys.platform, "pages": pages, "sounds": said[-1], "curves": {
    name: list(map(float, RigCurve.of(load_rig(name)).gain_db)) for name in asked["rigs"]}})`));
})().catch((error) => { console.error(error); process.exit(1); });
