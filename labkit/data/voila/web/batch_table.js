// A batch as a table that is typed, pasted or read from a file: the page owns the cells, Python says what it reads.
export default {
  render({ model, el }) {
    el.classList.add("lab-widget", "lab-batch");
    const make = (tag, attributes = {}, ...children) => {
      const node = document.createElement(tag);
      for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
      node.append(...children);
      return node;
    };
    const head = make("tr"), body = make("tbody");
    const table = make("table", { class: "lab-table" }, make("caption", {}, "Today's batch"), make("thead", {}, head), body);
    const said = make("p", { class: "lab-said", role: "status" });
    el.append(make("div", { class: "lab-table-holder" }, table), said);
    let cells = [], waits = 0;

    // the number after a serial number: its last digits plus one, as wide as before
    const after = (serial) => serial.replace(/(\d+)(\D*)$/, (_, digits, rest) => String(BigInt(digits) + 1n).padStart(digits.length, "0") + rest);
    const following = (serial) => {
      const taken = new Set(cells.map((row) => row[0].trim()));
      let next = after(serial.trim());
      while (taken.has(next) && next !== after(next)) next = after(next);
      return taken.has(next) ? "" : next;
    };
    const input = (row, column) => body.children[row]?.querySelectorAll("input")[column];
    const blank = () => model.get("columns").map(() => "");
    const hasReading = (row) => row.slice(1).some((cell) => cell.trim());

    function send() {
      clearTimeout(waits);
      waits = setTimeout(() => model.send({ do: "typed", rows: cells }), 120);
    }
    function line(index) {
      const row = make("tr");
      model.get("columns").forEach((column, place) => {
        const field = make("input", {
          type: "text", autocomplete: "off", autocapitalize: "off", spellcheck: "false",
          inputmode: place && column.key !== "note" ? "decimal" : "text",
          "aria-label": `${column.label}, row ${index + 1}`, "aria-describedby": place ? `${unique}-${index}` : "",
        });
        field.value = cells[index][place] ?? "";
        field.addEventListener("input", () => { cells[index][place] = field.value; send(); });
        row.append(make("td", { class: `lab-cell-${column.key === "note" ? "note" : place ? "number" : "serial"}` }, field));
      });
      row.append(make("td", { class: "lab-verdict", id: `${unique}-${index}` }));
      return row;
    }
    const unique = `batch-${Math.random().toString(36).slice(2, 8)}`;
    function show() {
      const columns = model.get("columns");
      head.replaceChildren(...columns.map((column) => make("th", { scope: "col" }, column.label)), make("th", { scope: "col" }, "Verdict"));
      cells = model.get("rows").map((row) => [...row]);
      if (!cells.length) cells.push(blank());
      body.replaceChildren(...cells.map((_, index) => line(index)));
      judge();
    }
    function judge() {
      const verdicts = model.get("said");
      [...body.children].forEach((row, index) => {
        const place = row.lastElementChild, { text = "", kind = "" } = verdicts[index] ?? {};
        if (place.textContent !== text) place.textContent = text;
        row.dataset.kind = kind;
        for (const field of row.querySelectorAll("input")) field.toggleAttribute("aria-invalid", kind === "ask" || kind === "problem");
      });
      said.textContent = model.get("summary");
    }
    function next(index) {
      if (index + 1 < cells.length) return input(index + 1, input(index + 1, 0).value ? 1 : 0)?.focus();
      if (!hasReading(cells[index])) return;
      const serial = following(cells[index][0]);
      cells.push([serial, ...blank().slice(1)]);
      body.append(line(cells.length - 1));
      input(index + 1, serial ? 1 : 0).focus();
      send();
    }
    body.addEventListener("keydown", (event) => {
      const row = event.target.closest("tr"), index = [...body.children].indexOf(row);
      const column = [...row.querySelectorAll("input")].indexOf(event.target);
      if (event.key === "Enter" && !event.isComposing) { event.preventDefault(); next(index); }
      if (event.key === "ArrowDown") { event.preventDefault(); input(index + 1, column)?.focus(); }
      if (event.key === "ArrowUp") { event.preventDefault(); input(index - 1, column)?.focus(); }
    });
    body.addEventListener("paste", (event) => {
      const text = event.clipboardData.getData("text/plain");
      if (!/[\t\n;]/.test(text.trim())) return;
      event.preventDefault();
      clearTimeout(waits);
      model.send({ do: "paste", rows: cells, text });
    });
    model.on("change:revision", () => {
      const had = body.contains(document.activeElement);
      show();
      if (had) input(cells.length - 1, cells.at(-1)[0] ? 1 : 0)?.focus();
    });
    model.on("change:said", judge);
    model.on("change:summary", judge);
    show();
  },
};
