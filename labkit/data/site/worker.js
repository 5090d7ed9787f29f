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
async function start({ root, page, query, packed }) {
  const archive = fetch(root + packed).then((response) => response.arrayBuffer());
  self.importScripts(`${root}runtime/pyodide.js`);
  python = await self.loadPyodide({ indexURL: `${root}runtime/`, packages: ["numpy"] });
  const place = python.runPython("import site; site.getsitepackages()[0]");
  python.unpackArchive(await archive, "zip", { extractDir: place });
  visit = python.pyimport("labkit.app.site.visit");
  self.postMessage({ opened: visit.open_page(page, query, post) });
  for (const message of early.splice(0)) answer(message);
}
self.onmessage = ({ data }) => {
  if (data.start) start(data.start).catch((error) => self.postMessage({ failed: String(error.message ?? error) }));
  else if (visit) answer(data);
  else early.push(data);
};
