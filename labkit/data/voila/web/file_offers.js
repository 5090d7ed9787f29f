// Buttons that ask Python for a file and hand it to the browser: saved under its name, or printed.
export default {
  render({ model, el }) {
    el.classList.add("lab-widget", "lab-files");
    const bar = document.createElement("div");
    bar.className = "lab-buttons";
    const said = document.createElement("p");
    said.className = "lab-said";
    said.setAttribute("role", "status");
    said.hidden = true;
    el.append(bar, said);
    const say = (text) => { said.textContent = text; said.hidden = !text; };
    let frame = null;

    function show() {
      const focused = bar.contains(document.activeElement) ? document.activeElement.dataset.file : "";
      bar.replaceChildren();
      for (const offer of model.get("offers")) {
        const button = document.createElement("button");
        button.type = "button";
        button.textContent = offer.label;
        button.dataset.file = offer.key;
        button.addEventListener("click", () => { say("Making it …"); model.send({ do: "make", key: offer.key }); });
        bar.append(button);
      }
      if (focused) bar.querySelector(`[data-file="${focused}"]`)?.focus();
    }
    function save(name, type, bytes) {
      const link = document.createElement("a");
      link.href = URL.createObjectURL(new Blob([bytes], { type }));
      link.download = name;
      document.body.append(link);
      link.click();
      link.remove();
      setTimeout(() => URL.revokeObjectURL(link.href), 60000);
      say(`Saved as ${name}.`);
    }
    function print(name, bytes) {
      frame?.remove();
      frame = document.createElement("iframe"); // no script runs in it: the paper is text and drawings alone
      frame.setAttribute("sandbox", "allow-same-origin allow-modals");
      frame.setAttribute("aria-hidden", "true");
      frame.tabIndex = -1;
      frame.title = name;
      frame.style.cssText = "position:fixed;right:0;bottom:0;width:0;height:0;border:0";
      frame.addEventListener("load", () => { frame.contentWindow.focus(); frame.contentWindow.print(); say("Handed to the printer's window."); });
      frame.srcdoc = new TextDecoder().decode(bytes);
      document.body.append(frame);
    }
    model.on("change:offers", show);
    model.on("msg:custom", (message, buffers) => {
      if (message.failed) return say(message.failed);
      if (!message.name) return;
      const bytes = buffers[0].buffer ? new Uint8Array(buffers[0].buffer, buffers[0].byteOffset, buffers[0].byteLength) : new Uint8Array(buffers[0]);
      if (message.print) print(message.name, bytes); else save(message.name, message.type, bytes);
    });
    show();
    return () => frame?.remove();
  },
};
