// Keeps every file of the site, each checked by its SHA-256, and answers from what it keeps; asks no other host.
const NAME = "labkit-site-VERSION", FILES = LISTED;
const own = (name) => new URL(name, self.registration.scope).href;
async function fetched(name, integrity) {
  try {
    return await fetch(new Request(own(name), { integrity }));
  } catch {
    return fetch(new Request(own(name), { integrity, cache: "reload" })); // the browser had an older one
  }
}
self.addEventListener("install", (event) => event.waitUntil((async () => {
  const cache = await caches.open(NAME);
  for (const [name, integrity] of Object.entries(FILES)) {
    if (await cache.match(own(name))) continue;
    const response = await fetched(name, integrity);
    if (!response.ok) throw new Error(`${name}: ${response.status}`);
    await cache.put(own(name), response);
  }
  await self.skipWaiting();
})()));
self.addEventListener("activate", (event) => event.waitUntil((async () => {
  for (const name of await caches.keys()) if (name.startsWith("labkit-site-") && name !== NAME) await caches.delete(name);
  await self.clients.claim();
})()));
self.addEventListener("fetch", (event) => {
  const asked = new URL(event.request.url), scope = self.registration.scope;
  if (event.request.method !== "GET" || !asked.href.startsWith(scope)) return;
  const name = asked.pathname.slice(new URL(scope).pathname.length) || "index.html";
  if (!(name in FILES)) return;
  const kept = async () => (await caches.open(NAME)).match(own(name));
  // the browser's own store keeps WebAssembly compiled, for a second visit a second sooner; it may be empty or hold another version
  if (name.endsWith(".wasm")) event.respondWith(fetch(new Request(own(name), { integrity: FILES[name], cache: "force-cache" })).catch(kept));
  else event.respondWith(kept().then((found) => found ?? fetch(event.request)));
});
