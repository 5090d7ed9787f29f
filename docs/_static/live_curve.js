// Below a picture: the page that it is of, live, where the lab was put beside the documentation (`add_lab` in conf.py).
document.addEventListener("DOMContentLoaded", async () => {
  for (const place of document.querySelectorAll("[data-live]")) {
    const address = new URL(`${document.documentElement.dataset.content_root}lab/${place.dataset.live}`, location.href);
    if (location.protocol === "file:" || !(await fetch(address, { method: "HEAD" }).catch(() => null))?.ok) continue;
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = "Move it yourself, here";
    button.addEventListener("click", () => {
      const frame = document.createElement("iframe");
      frame.title = place.dataset.title;
      frame.src = address;
      frame.className = "live";
      place.replaceChildren(frame);
    });
    place.append(button, " The page is loaded once, 19 MB, and stays in this browser.");
  }
});
