
"use strict";
/* Shows what stands in the data blocks of this page. It works out no money: cents come in, and one function writes them. */
(() => {
  const byId = (id) => document.getElementById(id);
  const blocks = {};
  const block = (name) => (blocks[name] ??= JSON.parse(byId(`data-${name}`).textContent));
  const SVG = "http://www.w3.org/2000/svg";
  const SEVERITIES = { urgent: "urgent", act: "to act on", information: "for the record" };
  const OPEN = ["new", "changed", "carried"];

  /* Cents as people read them, like 1,234.50, by their digits alone. */
  function money(cents) {
    const digits = String(Math.abs(cents)).padStart(3, "0");
    const whole = digits.slice(0, -2).replace(/\B(?=(\d{3})+$)/g, ",");
    return `${cents < 0 ? "-" : ""}${whole}.${digits.slice(-2)}`;
  }
  const count = (n, one, more) => `${String(n).replace(/\B(?=(\d{3})+$)/g, ",")} ${n === 1 ? one : more}`;

  /* An element with attributes and children; text is always text. */
  function make(tag, attributes, ...children) {
    const element = document.createElement(tag);
    return fill(element, attributes, children);
  }
  function draw(tag, attributes, ...children) {
    return fill(document.createElementNS(SVG, tag), attributes, children);
  }
  function fill(element, attributes, children) {
    for (const [name, value] of Object.entries(attributes ?? {})) if (value !== null && value !== undefined && value !== false) element.setAttribute(name, value);
    element.append(...children.filter((child) => child !== null && child !== undefined && child !== ""));
    return element;
  }
  /* A table that turns into cards in a narrow window stays a table for a screen reader. */
  function roles(table) {
    const all = { thead: "rowgroup", tbody: "rowgroup", tr: "row", td: "cell", "thead th": "columnheader", "tbody th": "rowheader" };
    table.setAttribute("role", "table");
    for (const [part, role] of Object.entries(all)) for (const one of table.querySelectorAll(part)) one.setAttribute("role", role);
  }
  const bdi = (text) => make("bdi", null, text);

  /* ---- the exception list ---- */
  const listed = block("listed");
  const at = Object.fromEntries(listed.columns.map((name, place) => [name, place]));
  const inWords = new Set(["kind", "severity", "owner", "term", "standing", "action", "disposition", "decided_by", "act_by", "happened_on", "first_seen", "decided_on"]);
  const cell = (row, name) => (inWords.has(name) ? listed.words[row[at[name]]] : row[at[name]]);
  const isOpen = (row) => OPEN.includes(cell(row, "standing"));
  const places = listed.rows.map((_, place) => place);
  const state = { order: "harm", down: false, page: 0, size: 25, all: false, opened: new Set() };
  let shown = places;
  let printing = false;
  const asOf = document.documentElement.dataset.asOf ?? "";

  const COLUMNS = [
    ["kind", "What", "first-cell"], ["student_id", "Student"], ["amount", "Amount", "n"], ["owner", "Owner"],
    ["act_by", "Act by", "day"], ["age_days", "Age, days", "n"], ["standing", "Standing"],
  ];
  const ORDERS = [
    ["harm", false, "most harmful first"], ["amount", true, "largest amount first"], ["amount", false, "smallest amount first"],
    ["act_by", false, "soonest to act on first"], ["act_by", true, "latest to act on first"], ["age_days", true, "oldest first"], ["age_days", false, "youngest first"],
    ["kind", false, "kind, A to Z"], ["kind", true, "kind, Z to A"], ["owner", false, "owner, A to Z"], ["owner", true, "owner, Z to A"],
    ["student_id", false, "student, ascending"], ["student_id", true, "student, descending"], ["standing", false, "standing, A to Z"], ["standing", true, "standing, Z to A"],
  ];
  const straw = [];
  const hay = (place) => (straw[place] ??= listed.columns.map((name) => cell(listed.rows[place], name)).join("\n").toLowerCase());

  function key(row) {
    const value = cell(row, state.order);
    return state.order === "amount" ? Math.abs(value) : state.order === "act_by" && value === "" ? "9999" : value;
  }
  function sorted(rows) {
    if (state.order === "harm") return rows;
    const way = state.down ? -1 : 1;
    const keys = new Map(rows.map((place) => [place, key(listed.rows[place])]));
    return [...rows].sort((a, b) => {
      const one = keys.get(a), other = keys.get(b);
      return one < other ? -way : one > other ? way : a - b;
    });
  }
  function filtered() {
    const words = byId("f-text").value.toLowerCase().split(/\s+/).filter(Boolean);
    const [severity, kind, owner, standing] = ["severity", "kind", "owner", "standing"].map((name) => byId(`f-${name}`).value);
    return places.filter((place) => {
      const row = listed.rows[place];
      return (!severity || cell(row, "severity") === severity) && (!kind || cell(row, "kind") === kind) && (!owner || cell(row, "owner") === owner) &&
        (standing === "all" || (standing === "open" ? isOpen(row) : cell(row, "standing") === standing)) && words.every((word) => hay(place).includes(word));
    });
  }
  function options(select, rows) {
    select.replaceChildren(...rows.map(([value, words]) => make("option", { value }, words)));
  }
  function choices(name, all, words) {
    const found = new Map();
    for (const row of listed.rows) found.set(cell(row, name), (found.get(cell(row, name)) ?? 0) + 1);
    const names = [...found.keys()];
    if (name === "severity") names.sort((a, b) => Object.keys(SEVERITIES).indexOf(a) - Object.keys(SEVERITIES).indexOf(b)); else names.sort();
    options(byId(`f-${name}`), [...all, ...names.map((value) => [value, `${words?.[value] ?? value} (${found.get(value)})`])]);
  }
  function heads() {
    byId("exceptions-head").replaceChildren(...COLUMNS.map(([name, words, look]) => {
      const active = state.order === name;
      return make("th", { scope: "col", class: look, "aria-sort": active ? (state.down ? "descending" : "ascending") : null },
        make("button", { type: "button", class: "sort", "data-sort": name }, words));
    }));
    byId("f-order").value = String(ORDERS.findIndex(([name, down]) => name === state.order && down === state.down));
  }
  function studentButton(id, name) {
    const parts = known(id) ? [make("button", { type: "button", class: "link", "data-student": id }, bdi(id))] : [bdi(id)];
    return name ? [...parts, make("br"), bdi(name)] : parts;
  }
  function told(row, what = cell(row, "what"), caution = "") {
    const noted = [cell(row, "disposition"), cell(row, "note")].filter(Boolean).join("; ");
    const by = [cell(row, "decided_by"), cell(row, "decided_on")].filter(Boolean).join(" ");
    return [
      make("p", null, bdi(what)),
      make("p", null, make("b", null, "Next: "), bdi(cell(row, "action"))),
      caution ? make("p", { class: "caution" }, caution) : null,
      noted ? make("p", null, make("b", null, "Noted: "), bdi(noted), by ? ` (${by})` : "") : null,
      make("p", { class: "small" }, `First seen ${cell(row, "first_seen")}. Evidence: `, bdi(cell(row, "evidence")), `. ${cell(row, "exception_id")}`),
    ].filter(Boolean);
  }
  function rowsOf(place) {
    const row = listed.rows[place];
    const open = printing || state.all || state.opened.has(place);
    const late = isOpen(row) && cell(row, "severity") !== "information" && cell(row, "act_by") && cell(row, "act_by") < asOf;
    const about = [cell(row, "term"), cell(row, "plan_id") && `plan ${cell(row, "plan_id")}`, cell(row, "line") && `line ${cell(row, "line")}`].filter(Boolean).join(", ");
    const severity = cell(row, "severity");
    const main = make("tr", { class: open ? "has-told" : null },
      make("th", { scope: "row", class: "first-cell" },
        make("span", { class: `tag ${severity}` }, SEVERITIES[severity]), " ",
        make("button", { type: "button", class: "link", "data-open": place, "aria-expanded": String(open), "aria-controls": open ? `told-${place}` : null }, cell(row, "kind")),
        make("span", { class: "due" }, bdi(about))),
      make("td", { class: cell(row, "name") ? "who" : null, "data-label": "Student" }, ...(cell(row, "student_id") ? studentButton(cell(row, "student_id"), cell(row, "name")) : ["several"])),
      make("td", { class: "n", "data-label": "Amount" }, money(cell(row, "amount"))),
      make("td", { "data-label": "Owner" }, cell(row, "owner")),
      make("td", { class: "day", "data-label": "Act by" }, cell(row, "act_by"), late ? make("span", { class: "late" }, " late") : null),
      make("td", { class: "n", "data-label": "Age, days" }, String(cell(row, "age_days"))),
      make("td", { "data-label": "Standing" }, cell(row, "standing")));
    return open ? [main, make("tr", { class: "told", id: `told-${place}` }, make("td", { colspan: COLUMNS.length }, ...told(row)))] : [main];
  }
  function list() {
    const last = Math.max(0, Math.ceil(shown.length / state.size) - 1);
    state.page = Math.min(state.page, last);
    const most = printing ? 500 : state.size;
    const from = printing ? 0 : state.page * state.size;
    const part = shown.slice(from, from + most);
    byId("exceptions-body").replaceChildren(...part.flatMap(rowsOf));
    roles(byId("exceptions"));
    byId("exceptions").hidden = !part.length;
    for (const one of document.querySelectorAll("#list .controls")) one.hidden = !places.length;
    const all = shown.length === places.length ? "" : ` (${places.length} in all)`;
    byId("list-status").textContent = !places.length ? "No exceptions: nothing to look at." : !shown.length ? `No exception fits these filters${all}.`
      : part.length === shown.length ? `${count(shown.length, "exception", "exceptions")}${all}.` : `Rows ${from + 1} to ${from + part.length} of ${count(shown.length, "exception", "exceptions")}${all}.${printing ? " Filter the list to print the others." : ""}`;
    byId("p-where").textContent = `Page ${state.page + 1} of ${last + 1}`;
    byId("p-back").disabled = state.page === 0;
    byId("p-next").disabled = state.page === last;
  }
  function again() {
    shown = sorted(filtered());
    state.page = 0;
    heads();
    list();
  }
  function start() {
    choices("severity", [["", "every severity"]], SEVERITIES);
    choices("kind", [["", "every kind"]]);
    choices("owner", [["", "every owner"]]);
    choices("standing", [["open", "open"], ["all", "every standing"]]);
    options(byId("f-order"), ORDERS.map(([, , words], place) => [String(place), words]));
    clear();
  }
  function clear() {
    byId("f-text").value = "";
    for (const name of ["severity", "kind", "owner"]) byId(`f-${name}`).value = "";
    byId("f-standing").value = "open";
    [state.order, state.down] = ["harm", false];
    again();
  }
  function order(name) {
    const down = state.order === name ? !state.down : name === "amount" || name === "age_days";
    [state.order, state.down] = [name, down];
    again();
    byId("exceptions-head").querySelector(`[data-sort="${name}"]`).focus();
  }

  /* ---- one student ---- */
  let found = null, tales = null, from = null, wasOpen = null;
  function people() {
    if (!found) {
      const students = block("students");
      found = new Map(students.rows.map((row) => [row[0], row]));
      for (const id of stories().keys()) if (!found.has(id)) found.set(id, [id, ""]);
    }
    return found;
  }
  function stories() {
    tales ??= new Map(block("stories").stories.map((one) => [one[0], one]));
    return tales;
  }
  const onList = (id) => listed.rows.some((row) => row[at.student_id] === id && isOpen(row));
  const known = (id) => stories().has(id) || people().has(id);

  function matches(text) {
    const wanted = text.trim().toLowerCase();
    if (!wanted) return [];
    const bare = wanted.replace(/^0+/, "");
    const exact = [], starts = [], inside = [];
    for (const row of people().values()) {
      const id = row[0].toLowerCase();
      if (id === wanted) exact.push(row);
      else if (id.startsWith(wanted) || (bare && id.replace(/^0+/, "").startsWith(bare))) starts.push(row);
      else if (id.includes(wanted) || row[1].toLowerCase().includes(wanted)) inside.push(row);
    }
    return [...exact, ...starts, ...inside];
  }
  function search() {
    const text = byId("s-text").value;
    const rows = matches(text);
    byId("s-found").replaceChildren(...rows.slice(0, 8).map((row) => make("li", null,
      make("button", { type: "button", class: "link", "data-student": row[0] }, bdi(row[0])), row[1] ? " " : "", row[1] ? bdi(row[1]) : "",
      make("span", { class: "due" }, stories().has(row[0]) ? "whole story" : "summary row"))));
    byId("s-status").textContent = !text.trim() ? "" : !rows.length ? "No such student on this page. Numbers count digit by digit, leading zeros too."
      : rows.length > 8 ? `${count(rows.length, "student fits", "students fit")}; the first 8 are shown.` : `${count(rows.length, "student fits", "students fit")}.`;
    return rows;
  }

  function open(id, opener) {
    clearTimeout(waiting);
    [from, wasOpen] = [opener ?? null, id];
    const place = byId("story");
    const row = people().get(id);
    const one = stories().get(id);
    const heading = make("h3", { tabindex: "-1", id: "story-title" }, "Student ", bdi(id), row?.[1] ? ", " : "", row?.[1] ? bdi(row[1]) : "");
    const back = make("p", { class: "controls" }, make("button", { type: "button", id: "story-back" }, from?.isConnected ? "Back to where you were" : "Close this story"),
      make("button", { type: "button", id: "story-print" }, "Print this story alone"));
    place.replaceChildren(heading, back, ...(one ? wholeStory(one) : summaryStory(row)));
    for (const table of place.querySelectorAll("table.cards")) roles(table);
    place.setAttribute("aria-labelledby", "story-title");
    place.hidden = false;
    byId("student").classList.add("with-story");
    byId("s-found").replaceChildren();
    byId("s-status").textContent = "";
    heading.focus({ preventScroll: true });
    heading.scrollIntoView();
  }
  function close() {
    byId("story").hidden = true;
    byId("story").replaceChildren();
    byId("student").classList.remove("with-story");
    const again = wasOpen === null ? null : byId("exceptions-body").querySelector(`[data-student="${CSS.escape(wasOpen)}"]`);
    const target = from?.isConnected ? from : (again ?? byId("s-text"));
    target.focus();
    target.scrollIntoView({ block: "center" });
  }
  function summaryStory(row) {
    const students = block("students");
    const words = ["charges", "less aid received", "less payments and other credits", "less draws paid", "owed today", "less aid still expected", "less draws still to come", "gap"];
    const off = [1, 2, 3, 5, 6], totals = [0, 4, 7];
    const parts = [...unseen(), make("p", { class: "small" }, onList(row[0]) ? "This page has no room for the whole story of this student, and shows the summary row. The exceptions stand in the list above." : "No exception is open, so this page holds the summary row only, without single draws.")];
    for (const [term, coverage, ...cents] of row.slice(2)) {
      const [failed, unseen] = cents.slice(8);
      parts.push(make("h4", null, `Term ${students.terms[term]}`), make("p", null, students.coverages[coverage]),
        make("table", { class: "steps" }, make("caption", { class: "hidden" }, `Account of term ${students.terms[term]}`), make("tbody", null, ...words.map((word, place) =>
          cents[place] || totals.includes(place) ? make("tr", { class: totals.includes(place) ? "total" : null }, make("th", { scope: "row" }, word), make("td", { class: "n" }, money(off.includes(place) && cents[place] ? -cents[place] : cents[place]))) : null).filter(Boolean))));
      if (failed || unseen) parts.push(make("p", { class: "small" }, `Scheduled amounts of draws that failed: ${money(failed)}; that were not seen: ${money(unseen)}.`));
    }
    return parts;
  }
  function wholeStory(one) {
    const words = block("stories").words;
    const parts = [...unseen(), ...one[1].map((term) => termStory(term, words)).flat()];
    if (one[2].length || one[3].length) parts.push(make("h4", null, "Bank money that belongs to no term"), ...one[2].map((found) => exception(found, "h5", words)), ...beside(one[3], words));
    return parts;
  }
  const unseen = () => (block("stories").unseen[0] ? [make("p", { class: "caution" }, block("stories").unseen[0])] : []);
  const beside = (lines, words) => lines.map((line) => make("p", { class: "one" }, bdi(words[line])));
  /* A story is read out: an exception that names another student comes with words of its own. */
  function exception(found, level, words) {
    const [place, own] = Array.isArray(found) ? found : [found, null];
    if (place < 0) return make("p", { class: "one" }, "One more exception, for which this page has no room: see exceptions.csv.");
    const row = listed.rows[place];
    const line = cell(row, "line");
    return make("div", { class: `one ${isOpen(row) ? cell(row, "severity") : ""}` },
      make(level, null, `${cell(row, "kind")}${line ? `, line ${line}` : ""}: ${money(cell(row, "amount"))} `, make("span", { class: `tag ${cell(row, "severity")}` }, SEVERITIES[cell(row, "severity")]), isOpen(row) ? "" : ` ${cell(row, "standing")}`),
      make("p", { class: "small" }, `${cell(row, "owner")}${cell(row, "act_by") ? `, act by ${cell(row, "act_by")}` : ""}, ${cell(row, "standing")}`), ...told(row, own === null ? undefined : words[own], /\d\.\d\d(?!\d)/.test(cell(row, "action")) ? block("stories").unseen[1] : ""));
  }
  function termStory([term, coverage, steps, held, draws, [heading, causes], [first, proposal], cautions, exceptions, happened, others], words) {
    const named = words[term];
    const listOf = (lines) => make("ul", null, ...lines.map((line) => make("li", null, bdi(words[line]))));
    return [
      make("h4", null, `Term ${named}`),
      make("p", null, make("strong", null, words[coverage])),
      ...(exceptions.length || others.length ? [make("h5", null, "What is wrong"), ...exceptions.map((found) => exception(found, "h6", words)), ...beside(others, words)] : []),
      make("h5", null, "From charges to what is open"),
      waterfall(steps, words, named),
      held ? make("p", null, `Draws under a stop, not to be taken: ${money(held)}.`) : null,
      ...(draws.length ? [make("h5", null, "The plan's draws"), timeline(draws, words, named), drawTable(draws, words, named)] : []),
      ...(causes.length ? [make("h5", null, words[heading]), causeTable(causes, words, named)] : []),
      ...(proposal.length ? [make("h5", null, "What should be done with the remaining draws"), make("div", { class: "proposal" }, make("p", null, "A proposal; the office decides."), ...first.map((line) => make("p", { class: "caution" }, bdi(words[line]))), listOf(proposal), ...cautions.map((line) => make("p", { class: "caution" }, words[line])))]
        : cautions.map((line) => make("p", { class: "caution" }, words[line]))),
      happened.length ? make("details", null, make("summary", null, `What happened in ${named}, in date order (${happened.length})`), happenedTable(happened, words, named)) : null,
    ].filter(Boolean);
  }
  const share = (part, whole) => `${whole ? (100 * part) / whole : 0}%`;
  function waterfall(steps, words, named) {
    const ends = steps.flatMap(([, , before, after]) => [before, after]);
    const low = Math.min(0, ...ends), high = Math.max(0, ...ends), width = high - low;
    const rows = steps.map(([word, cents, before, after, total], place) => {
      const last = place === steps.length - 1;
      const look = total ? (last && cents ? (cents > 0 ? "failed" : "over") : "total") : /still/.test(words[word]) ? "pending" : "cleared";
      return make("tr", { class: total ? "total" : null }, make("th", { scope: "row" }, words[word]),
        make("td", { class: "bar" }, draw("svg", { class: "lying", height: 16, "aria-hidden": "true", focusable: "false" },
          draw("rect", { class: look, x: share(Math.min(before, after) - low, width), width: share(Math.max(before, after) - Math.min(before, after), width), y: 2, height: 12 }),
          draw("line", { class: "zero", x1: share(-low, width), x2: share(-low, width), y1: 0, y2: 16 }))),
        make("td", { class: "n" }, money(last ? Math.abs(cents) : cents)));
    });
    return make("table", { class: "steps bars" }, make("caption", { class: "hidden" }, `From charges to what is open, term ${named}`),
      make("thead", null, make("tr", null, make("th", { scope: "col" }, "Step"), make("th", { scope: "col", class: "bar" }, make("span", { class: "hidden" }, "Picture")), make("th", { scope: "col", class: "n" }, "Amount"))), make("tbody", null, ...rows));
  }
  /* A shape and a letter for each state, so that colour is never the only sign. */
  const MARKS = { cleared: ["full", ""], "part cleared": ["", "/"], failed: ["bad", "\u00d7"], "not seen": ["lost", "?"], "in transit": ["", "\u2192"], pending: ["", ""], cancelled: ["off", "\u2212"] };
  const mark = (status, x, y) => {
    const [look, letter] = MARKS[status] ?? ["", ""];
    return draw("g", null, draw("circle", { class: `mark-of-draw ${look}`, cx: x, cy: y, r: 7 }), letter ? draw("text", { class: "letter", x, y: y + 4, "text-anchor": "middle" }, letter) : null);
  };
  const dayOf = (text) => Date.parse(`${text}T00:00:00Z`);
  function timeline(draws, words, named) {
    const days = [...draws.map((one) => dayOf(words[one[4]])), dayOf(asOf)];
    const first = Math.min(...days), last = Math.max(...days), span = last - first || 1;
    const where = (day) => `${4 + (92 * (day - first)) / span}%`;
    const levels = new Map();
    const marks = draws.map((one) => {
      const day = words[one[4]];
      const level = levels.get(day) ?? 0;
      levels.set(day, level + 1);
      return mark(words[one[6]], where(dayOf(day)), 30 + level * 18);
    });
    const tall = 52 + Math.max(...levels.values()) * 18;
    const months = [];
    for (let day = new Date(first); months.length < 60; ) {
      day = new Date(Date.UTC(day.getUTCFullYear(), day.getUTCMonth() + 1, 1));
      if (day.getTime() > last) break;
      months.push(day);
    }
    const every = Math.ceil(months.length / 6);
    return draw("svg", { class: "line-of-time", height: tall, role: "img", "aria-label": `Time line of the draws of term ${named}; the table below says the same in words` },
      draw("line", { class: "grid", x1: 0, x2: "100%", y1: 30, y2: 30 }),
      ...months.filter((_, place) => place % every === 0).map((day) => draw("text", { x: where(day.getTime()), y: tall - 4, "text-anchor": "middle" }, day.toISOString().slice(0, 7))),
      ...months.map((day) => draw("line", { class: "grid", x1: where(day.getTime()), x2: where(day.getTime()), y1: 24, y2: tall - 18 })),
      draw("line", { class: "as-of", x1: where(dayOf(asOf)), x2: where(dayOf(asOf)), y1: 14, y2: tall - 18 }),
      draw("text", { class: "as-of-word", x: where(dayOf(asOf)), y: 10, "text-anchor": dayOf(asOf) - first > span * 0.8 ? "end" : dayOf(asOf) - first < span * 0.2 ? "start" : "middle" }, `as of ${asOf}`),
      ...marks);
  }
  function drawTable(draws, words, named) {
    const plans = new Set(draws.map((one) => one[0])).size > 1;
    return make("table", { class: "cards" }, make("caption", { class: "hidden" }, `Draws of term ${named}`),
      make("thead", null, make("tr", null, ...[["Line", ""], ["Draw date", "day"], ["Scheduled", "n"], ["What became of it", ""]].map(([word, look]) => make("th", { scope: "col", class: look || null }, word)))),
      make("tbody", null, ...draws.map(([plan, line, kind, method, day, cents, status, became]) => make("tr", null,
        make("th", { scope: "row", class: "first-cell" }, bdi(words[line]), ` ${words[kind]}, ${words[method]}`, plans ? ", plan " : "", plans ? bdi(words[plan]) : ""),
        make("td", { class: "day", "data-label": "Date" }, words[day]), make("td", { class: "n", "data-label": "Scheduled" }, money(cents)),
        make("td", { class: "why" }, draw("svg", { class: "small-mark", width: 18, height: 18, "aria-hidden": "true" }, mark(words[status], 9, 9)), words[became])))));
  }
  function causeTable(causes, words, named) {
    return make("table", { class: "steps" }, make("caption", { class: "hidden" }, `Causes, term ${named}`),
      make("tbody", null, ...causes.map(([cents, word]) => make("tr", null, make("th", { scope: "row" }, words[word]), make("td", { class: "n" }, `${cents > 0 ? "+" : ""}${money(cents)}`)))));
  }
  function happenedTable(happened, words, named) {
    return make("table", { class: "steps" }, make("caption", { class: "hidden" }, `What happened in term ${named}`),
      make("tbody", null, ...happened.map(([day, word, cents]) => make("tr", null, make("th", { scope: "row", class: "day" }, words[day]), make("td", null, bdi(words[word])), make("td", { class: "n" }, cents ? money(cents) : "")))));
  }

  /* ---- what people do ---- */
  let waiting = 0;
  const soon = (act) => { clearTimeout(waiting); waiting = setTimeout(act, 120); };
  byId("f-text").addEventListener("input", () => soon(again));
  for (const name of ["severity", "kind", "owner", "standing"]) byId(`f-${name}`).addEventListener("change", again);
  byId("f-order").addEventListener("change", () => { [state.order, state.down] = ORDERS[Number(byId("f-order").value)]; again(); });
  byId("f-clear").addEventListener("click", clear);
  byId("f-open").addEventListener("change", () => { state.all = byId("f-open").checked; state.opened.clear(); list(); });
  byId("p-size").addEventListener("change", () => { state.size = Number(byId("p-size").value); state.page = 0; list(); });
  byId("p-back").addEventListener("click", () => turn(-1));
  byId("p-next").addEventListener("click", () => turn(1));
  function turn(by) {
    state.page += by;
    list();
    byId("list-title").focus({ preventScroll: true });
    byId("list-title").scrollIntoView();
  }
  byId("filters").addEventListener("submit", (event) => { event.preventDefault(); again(); });
  byId("s-text").addEventListener("input", () => soon(search));
  byId("finder").addEventListener("submit", (event) => {
    event.preventDefault();
    const rows = search();
    const wanted = byId("s-text").value.trim().toLowerCase();
    if (rows.length === 1 || rows[0]?.[0].toLowerCase() === wanted) open(rows[0][0], byId("s-text"));
  });
  document.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (!button) return;
    const { student, sort, owner } = button.dataset;
    if (student !== undefined && known(student)) open(student, button);
    if (sort !== undefined) order(sort);
    if (button.id === "story-back") close();
    if (button.id === "story-print") {
      /* One family's paper carries nobody else's records. */
      document.documentElement.classList.add("one-story");
      print();
    }
    if (button.dataset.open !== undefined) {
      const place = Number(button.dataset.open);
      if (!state.opened.delete(place)) state.opened.add(place);
      list();
      byId("exceptions-body").querySelector(`[data-open="${place}"]`)?.focus();
    }
    if (owner !== undefined) {
      clear();
      byId("f-owner").value = owner;
      again();
      byId("list-title").focus({ preventScroll: true });
      byId("list-title").scrollIntoView();
    }
  });

  /* On paper the whole filtered list is shown with its sentences, and every table stands open. */
  let unfolded = [];
  function paper(on) {
    if (on === printing) return;
    printing = on;
    if (on) {
      unfolded = [...document.querySelectorAll("details:not([open])")];
      for (const one of unfolded) one.open = true;
    } else for (const one of unfolded) one.open = false;
    list();
  }
  addEventListener("beforeprint", () => paper(true));
  addEventListener("afterprint", () => { paper(false); document.documentElement.classList.remove("one-story"); });
  matchMedia("print").addEventListener("change", (event) => paper(event.matches));

  for (const table of document.querySelectorAll("table.cards")) roles(table);
  start();
  document.documentElement.dataset.ready = "yes";
})();
