// Opens the site's own worker code in Node, which has the same engine as a browser: node curves_in_node.js SITE < rigs
const fs = require("node:fs"), path = require("node:path");
const site = path.resolve(process.argv[2]);
const { loadPyodide } = require(path.join(site, "runtime", "pyodide.js"));
(async () => {
  const python = await loadPyodide({ indexURL: path.join(site, "runtime") + path.sep, packages: ["numpy"], stdout: () => {} });
  const place = python.runPython("import site; site.getsitepackages()[0]");
  const packed = new Uint8Array(fs.readFileSync(path.join(site, "labkit", "labkit.zip")));
  python.unpackArchive(packed, "zip", { extractDir: place });
  python.globals.set("names", fs.readFileSync(0, "utf8"));
  process.stdout.write(python.runPython(`
import json, sys
from labkit.rig.sheet import load_rig
from labkit.app.kit.page_state import RigCurve
json.dumps({"python": sys.version, "system": sys.platform, "curves": {
    name: list(map(float, RigCurve.of(load_rig(name)).gain_db)) for name in json.loads(names)}})`));
})().catch((error) => { console.error(error); process.exit(1); });
