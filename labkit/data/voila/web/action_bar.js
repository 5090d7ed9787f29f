// Keep, undo, redo, start again, share; and the page's state in the address.
export default {
  render({ model, el }) {
    el.classList.add("lab-widget", "lab-actions");
    const asks = location.search.slice(0, 8000);
    let opened = false, ended = false;
    const inLab = document.body.dataset.voila !== undefined; // never touch the address of somebody's notebook
    const bar = document.createElement("div");
    bar.className = "lab-buttons";
    const said = document.createElement("p");
    said.className = "lab-said";
    said.setAttribute("role", "status");
    el.append(bar, said);
    const buttons = new Map();
    const more = document.createElement("button"); // shown on a phone alone
    Object.assign(more, { type: "button", className: "lab-more-actions", textContent: "⋯" });
    more.setAttribute("aria-label", "More");
    const unfold = (wanted) => { bar.classList.toggle("lab-unfolded", wanted); more.setAttribute("aria-expanded", String(wanted)); };
    more.addEventListener("click", () => unfold(!bar.classList.contains("lab-unfolded")));
    unfold(false);

    function showActions() {
      for (const action of model.get("actions")) {
        if (!buttons.has(action.key)) {
          const button = document.createElement("button");
          button.type = "button";
          button.dataset.do = action.key;
          button.addEventListener("click", () => { if (button.getAttribute("aria-disabled") !== "true") act(action.key); });
          buttons.set(action.key, button);
          bar.append(button);
        }
        const button = buttons.get(action.key);
        button.textContent = action.label;
        button.classList.toggle("lab-primary", Boolean(action.primary));
        // aria-disabled keeps the focus where it is when the last step is undone
        button.setAttribute("aria-disabled", action.enabled ? "false" : "true");
        button.hidden = action.key === "link" && !inLab;
      }
      bar.append(more);
    }
    function address() {
      const query = model.get("query");
      return location.pathname + (query ? `?${query}` : "");
    }
    async function copyLink() {
      const link = location.origin + address();
      try {
        await navigator.clipboard.writeText(link);
        say("Link copied. It opens this rig as it is now.");
      } catch {
        const box = document.createElement("textarea"); // plain http has no clipboard interface
        box.value = link;
        box.setAttribute("aria-label", "Link to this state");
        box.style.position = "fixed";
        box.style.opacity = "0";
        document.body.append(box);
        box.select();
        const copied = document.execCommand("copy");
        box.remove();
        buttons.get("link").focus();
        say(copied ? "Link copied. It opens this rig as it is now." : `Copy this link: ${link}`);
      }
    }
    function say(text) { said.textContent = text; said.hidden = !text; }
    function act(key) { if (key === "link") copyLink(); else model.send({ do: key }); }

    function showRig() { [el.dataset.rig, el.dataset.changes] = [model.get("rig"), model.get("changes")]; }
    showRig();
    model.on("change:rig", showRig);
    model.on("change:changes", showRig);
    model.on("change:actions", showActions);
    model.on("change:said", () => say(model.get("said")));
    model.on("change:query", () => {
      if (!inLab) return;
      history.replaceState(null, "", address());
      document.dispatchEvent(new Event("lab-moved"));
    });
    model.on("msg:custom", (message) => {
      if (message.address === undefined) return;
      const isFirst = !opened;
      opened = true;
      if (inLab) history.replaceState(null, "", address());
      document.documentElement.dataset.labOpened = "";
      document.dispatchEvent(new Event("lab-opened"));
      if (isFirst) offerSheets();
    });
    // rig sheets that were opened on another page of this tab are among the rigs of this one
    async function offerSheets() {
      const kept = await KeptFiles.all("rig sheets");
      if (kept.length) model.send({ do: "sheets", sheets: await Promise.all(kept.map(async ({ key, file }) => ({ name: key, text: await file.text() }))) });
    }
    showActions();
    say(model.get("said"));
    document.addEventListener("keydown", shortcut);
    function shortcut(event) {
      if (ended) return;
      const typing = event.target.matches?.("input[type=text], textarea, [contenteditable]");
      if (!inLab || typing || !(event.ctrlKey || event.metaKey) || event.altKey) return;
      const key = event.key.toLowerCase();
      if (key === "z") { event.preventDefault(); model.send({ do: event.shiftKey ? "redo" : "undo" }); }
      if (key === "y") { event.preventDefault(); model.send({ do: "redo" }); }
    }
    if (inLab) {
      // asked again until answered: the kernel may still be busy with the page, or out of reach; it opens the state once
      let asked = 0;
      const ask = () => {
        if (opened || ended) return;
        model.send({ do: "open", search: asks, again: asked > 0 });
        setTimeout(ask, Math.min(3000 * 2 ** asked++, 30000));
      };
      ask();
      document.addEventListener("lab-ended", () => { ended = true; }, { once: true });
    }
    return () => document.removeEventListener("keydown", shortcut);
  },
};
