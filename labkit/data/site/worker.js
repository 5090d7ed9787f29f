// Python in a worker of the page: opens the page's own view and answers its messages, as a kernel does in the lab.
let visit = null, python = null;
const early = [];
const post = (text, buffers) => {
  const bytes = buffers.toJs();
  buffers.destroy?.();
  self.postMessage({ messages: text, buffers: bytes }, bytes.map((each) => each.buffer));
};
function answer({ text, buffers }) {
  const given = python.toPy(buffers);
  try { visit.receive(text, given); } finally { given.destroy?.(); }
}
// What Python has compiled is kept in this browser for the next page: without it half of a visit's wait is compiling.
const KEPT = "labkit-compiled", LATER_MS = 2000;
async function compiled(address) {
  try {
    const found = await (await caches.open(KEPT)).match(address);
    return found ? await found.arrayBuffer() : null;
  } catch { return null; } // a browser that keeps nothing
}
async function keepCompiled(address) {
  try {
    const cache = await caches.open(KEPT);
    for (const old of await cache.keys()) if (old.url !== address) await cache.delete(old);
    const bytes = visit.compiled_code();
    await cache.put(address, new Response(bytes.toJs()));
    bytes.destroy();
  } catch (error) { console.warn("compiled code is not kept:", error.message); }
}
async function start({ root, page, query, packed, wheels, version }) {
  const address = `${root}compiled/${version}/${page}`, before = compiled(address);
  const fetched = (name, integrity) => fetch(root + name, { integrity }).then((response) => response.arrayBuffer());
  const archive = fetched(packed), libraries = Object.entries(JSON.parse(wheels)).map((each) => fetched(...each));
  self.importScripts(`${root}runtime/pyodide.js`);
  python = await self.loadPyodide({ indexURL: `${root}runtime/` });
  const place = python.runPython("import site; site.getsitepackages()[0]");
  // unpacked, not loaded as a package, which would compile all its parts, those for its own tests, too
  for (const library of libraries) python.unpackArchive(await library, "wheel", { extractDir: place });
  python.unpackArchive(await archive, "zip", { extractDir: place });
  const known = await before;
  if (known) {
    python.unpackArchive(known, "zip", { extractDir: "/" });
    python.runPython("import sys, importlib; sys.path.insert(0, '/lib/compiled'); importlib.invalidate_caches()");
  }
  visit = python.pyimport("labkit.app.site.visit");
  self.postMessage({ opened: visit.open_page(page, query, post) });
  for (const message of early.splice(0)) answer(message);
  if (!known) setTimeout(() => keepCompiled(address), LATER_MS);
}
self.onmessage = ({ data }) => {
  if (data.start) start(data.start).catch((error) => self.postMessage({ failed: String(error.message ?? error) }));
  else if (visit) answer(data);
  else early.push(data);
};
