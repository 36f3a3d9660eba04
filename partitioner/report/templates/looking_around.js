// Looking around in the page. It is complete without this script, which fetches nothing and keeps
// nothing: all state is in the address. Each part below is a section of its own.
(() => {
"use strict";
const $ = (id) => document.getElementById(id);
const make = (tag, text = "", set = {}) => Object.assign(document.createElement(tag), { textContent: text }, set);
document.querySelector(".skip").after($("looking").content);
// What one jumps to stands below the bar. (A rule with :has would be tried at every change.)
document.documentElement.style.scrollPaddingTop = "7rem";

// The things as the page holds them, with names for what it writes by place and segments by number.
function unpacked(data) {
  const named = (numbers, kind = "segment") => numbers.map((n) => data.order[kind][n]);
  const entries = (kind, make) => { data[kind] = Object.fromEntries(Object.entries(data[kind] ?? {}).map(([id, packed]) => [id, make(packed)])); };
  entries("device", (option) => (option ? { option } : {}));
  for (const [id, { devices }] of Object.entries(data.segment ?? {})) for (const device of devices) data.device[device].segment = id;
  entries("stream", ([source, to, segments, ways, left]) => ({ source, to, segments: named(segments), ways: ways.map((way) => named(way, "switch")), left }));
  entries("pathway", ([a, b, most, links, ...segments]) => ({
    words: `pathway from ${a} to ${b}, ${segments.length + links}\u00a0cable${segments.length + links === 1 ? "" : "s"}${most === null ? "" : ` of at most ${most}`}`,
    segments: named(segments),
  }));
  return data;
}

// The things of the layout by key ("line" and "device" of one name are two things), and for each
// what belongs to it.
const things = (() => {
  const data = unpacked(JSON.parse($("things")?.textContent ?? "{}"));
  // Most specific first: a mark or row with several names is first of all the first of these.
  const KINDS = ["stream", "device", "segment", "pathway", "backbone", "switch", "option"];
  const all = new Map();
  const near = new Map();
  // Of what there are thousands the sentence is made here, so that the page need not hold it.
  const told = {
    device: ({ segment, option }) => `device ${segment ? `on ${segment}` : "without a place"}${option ? `, option ${option}` : ""}`,
    stream: ({ source, to, left }) => `stream from ${source} to ${to.slice(0, 3).join(", ")}${to.length > 3 ? " and others" : ""}, `
      + (left < 0 ? "late" : `${Math.floor(Math.round(left * 1e6) / 1e4)}\u00a0% of its deadline left`),
  };
  for (const kind of KINDS) {
    for (const [id, thing] of Object.entries(data[kind] ?? {})) all.set(`${kind}/${id}`, { words: told[kind]?.(thing), why: data.why?.[`${kind}/${id}`], ...thing, kind, id });
  }
  for (const key of all.keys()) near.set(key, new Set());
  const oneWay = (from, to) => { if (near.has(from) && all.has(to)) near.get(from).add(to); };
  const both = (a, b) => { oneWay(a, b); oneWay(b, a); };
  for (const [key, thing] of all) {
    if (thing.kind === "segment") {
      both(key, `switch/${thing.switch}`);
      for (const id of thing.devices) { both(key, `device/${id}`); oneWay(`switch/${thing.switch}`, `device/${id}`); }
    } else if (thing.kind === "device" && thing.option) {
      both(key, `option/${thing.option}`);
      oneWay(`option/${thing.option}`, `segment/${thing.segment}`);
    } else if (thing.kind === "stream") {
      for (const id of [thing.source, ...thing.to]) { both(key, `device/${id}`); oneWay(key, `switch/${id}`); }
      for (const id of thing.segments) both(key, `segment/${id}`);
      for (const way of thing.ways) {
        way.forEach((id, i) => {
          oneWay(key, `switch/${id}`);
          for (const link of i ? [`${way[i - 1]}-${id}`, `${id}-${way[i - 1]}`] : []) if (all.has(`backbone/${link}`)) both(key, `backbone/${link}`);
        });
      }
    } else if (thing.kind === "pathway") {
      for (const id of thing.segments) both(key, `segment/${id}`);
    } else if (thing.kind === "backbone") {
      for (const id of thing.switches) both(key, `switch/${id}`);
    }
  }
  return { KINDS, all, near, builds: data.builds ?? [], has: (key) => all.has(key), get: (key) => all.get(key) };
})();

// Where things stand: every drawing and every table is a stage that can light up some of what is
// on it. A stage is read when it first comes into sight, so what is folded costs nothing.
const stages = (() => {
  const MARKED = things.KINDS.map((kind) => `[data-${kind}]`).join();
  const attributeKeys = (element) => things.KINDS.flatMap((kind) =>
    (element.dataset[kind]?.split(" ") ?? []).map((id) => `${kind}/${id}`).filter(things.has));

  class Stage {
    read() {
      if (this.places) return;
      this.places = new Map(); // key: elements
      this.owners = []; // element and the thing that it is first of all
      this.collect();
    }
    add(element, keys, first = keys[0]) {
      if (!first) return;
      this.owners.push([element, first]);
      for (const key of new Set(keys)) {
        if (this.places.has(key)) this.places.get(key).push(element);
        else this.places.set(key, [element]);
      }
    }
    at(key) { this.read(); return this.places.get(key) ?? []; }
    show(light) {
      if (this.light === light) return;
      const wasLit = this.light;
      this.light = light;
      if (light) this.read();
      if (light && this.owners.length) this.lit(light);
      else if (wasLit) this.dark();
    }
    sift(fate) {
      this.read();
      for (const [element, key] of this.owners) {
        const what = fate(key);
        element.classList.toggle("absent", what === "absent");
        element.classList.toggle("out", what === "out");
      }
      this.sifted?.(fate);
    }
  }

  class Drawing extends Stage {
    constructor(svg) {
      super();
      this.element = svg;
      this.region = svg.closest("[tabindex]");
      this.name = svg.querySelector("title")?.textContent ?? "";
    }
    collect() {
      for (const element of this.element.querySelectorAll(MARKED)) this.add(element, attributeKeys(element));
    }
    // What is lit is copied onto a sheet of its own, through which the drawing is seen dimly: nothing
    // in the drawing changes, however much there is, and nothing that is lit hides below something else.
    lit({ key, near }) {
      const sheet = this.sheet ??= this.blank();
      const groups = new Map([[this.element, sheet]]);
      const groupOf = (element) => {
        if (!groups.has(element)) groups.set(element, groupOf(element.parentNode).appendChild(this.like(element)));
        return groups.get(element);
      };
      const names = new Map(); // elements that are lit
      for (const one of [...near, key]) for (const element of this.places.get(one) ?? []) names.set(element, one === key ? "is-lit" : "is-near");
      sheet.replaceChildren();
      // In the order of the drawing: marks lie on cables, and cables in their pathways.
      this.order ??= new Map(this.owners.map(([element], i) => [element, i]));
      for (const element of [...names.keys()].sort((a, b) => this.order.get(a) - this.order.get(b))) {
        const copy = element.cloneNode(true);
        copy.classList.add(names.get(element));
        groupOf(element.parentNode).append(copy);
      }
      this.follow();
      if (!sheet.isConnected) this.element.after(sheet);
    }
    blank() {
      const sheet = this.element.cloneNode(false);
      for (const name of ["id", "role", "aria-labelledby"]) sheet.removeAttribute(name);
      sheet.setAttribute("aria-hidden", "true");
      return sheet;
    }
    // The sheet shows the same part of the drawing, in the same way.
    follow() {
      if (!this.sheet) return;
      for (const name of ["viewBox", "style", "data-level"]) {
        const value = this.element.getAttribute(name);
        if (value === null) this.sheet.removeAttribute(name);
        else this.sheet.setAttribute(name, value);
      }
      this.sheet.setAttribute("class", `${this.element.getAttribute("class")} lifted`);
    }
    like(group) {
      const other = group.cloneNode(false);
      for (const { name } of [...other.attributes]) if (!["class", "transform", "clip-path"].includes(name)) other.removeAttribute(name);
      return other;
    }
    dark() { this.sheet?.remove(); }
    keyAt(target) { return attributeKeys(target.closest(MARKED) ?? this.element)[0]; }
    steps() { this.read(); return [...new Set(this.owners.map(([, key]) => key))]; }
    sifted(fate) {
      for (const group of this.element.querySelectorAll("[data-stops]")) cutBack(group, fate);
    }
  }

  class Table extends Stage {
    constructor(table) {
      super();
      this.element = table;
      this.region = table.closest("[tabindex]");
      this.name = table.caption?.firstChild?.textContent.trim() ?? "";
      this.columns = [...(table.tHead?.rows[0]?.cells ?? [])].flatMap((head, i) =>
        head.dataset.holds ? [{ i, kinds: head.dataset.holds.split(" ") }] : []);
    }
    cellKeys(cell, kinds) {
      return cell.textContent.split(/[\s,]+/).flatMap((id) => {
        const kind = kinds.find((k) => things.has(`${k}/${id}`));
        return kind ? [`${kind}/${id}`] : [];
      });
    }
    rowKeys(row) {
      const keys = [...attributeKeys(row), ...attributeKeys(row.parentNode)];
      let first = null;
      for (const { i, kinds } of this.columns) {
        const cell = row.cells[i];
        const own = cell ? this.cellKeys(cell, kinds) : [];
        if (cell?.tagName === "TH") first = own[0] ?? null;
        keys.push(...own);
      }
      const rank = (key) => things.KINDS.indexOf(key.split("/")[0]);
      return [keys, first ?? [...keys].sort((a, b) => rank(a) - rank(b))[0]];
    }
    collect() {
      if (!this.columns.length && !this.element.querySelector(MARKED)) return;
      for (const row of this.element.tBodies[0]?.rows ?? []) this.add(row, ...this.rowKeys(row));
    }
    lit({ key, near }) {
      this.dark();
      this.rows = [];
      const mark = (row, name) => { row.classList.add(name); this.rows.push(row); };
      for (const [row, owner] of this.owners) if (near.has(owner)) mark(row, "is-near");
      for (const row of this.places.get(key) ?? []) mark(row, "is-lit");
      this.element.classList.add("dims");
    }
    dark() {
      for (const row of this.rows ?? []) row.classList.remove("is-lit", "is-near");
      this.element.classList.remove("dims");
    }
    keyAt(target) {
      const cell = target.closest("tbody td, tbody th");
      if (!cell) return undefined;
      const column = this.columns.find(({ i }) => i === cell.cellIndex);
      const own = column ? this.cellKeys(target.closest("td i") ?? cell, column.kinds) : [];
      return own.length === 1 ? own[0] : this.rowKeys(cell.parentNode)[1];
    }
    steps() { this.read(); return [...new Set(this.owners.filter(([row]) => !row.matches(".out, .absent")).map(([, key]) => key))]; }
    // How many rows a filter has left is told in the caption.
    sifted() {
      const rows = [...(this.element.tBodies[0]?.rows ?? [])];
      const left = rows.filter((row) => !row.matches(".out, .absent")).length;
      let note = this.element.caption?.querySelector(".left");
      if (!note && left < rows.length) note = this.element.caption?.appendChild(make("span", "", { className: "left note" }));
      if (note) note.textContent = left < rows.length ? ` ${left} of ${rows.length} rows` : "";
    }
  }

  // A unit has a line up to its last device, so its cable is drawn from there to the switch only.
  // Stops are per mille of the way: that of the switch first, then those of the devices.
  const whole = new WeakMap();
  function cutBack(group, fate) {
    const segment = things.get(`segment/${group.dataset.segment}`);
    const stops = group.dataset.stops.split(" ").map(Number);
    const met = stops.filter((_, i) => !i || fate(`device/${segment.devices[i - 1]}`) !== "absent");
    const isWhole = met.length === stops.length;
    group.querySelectorAll(":scope > .cut").forEach((bar) => bar.remove());
    const paths = [...group.querySelectorAll(":scope > path:not(.bar)")];
    for (const path of paths) if (whole.has(path)) path.setAttribute("d", whole.get(path));
    const bars = [...group.querySelectorAll(":scope > .bar")];
    for (const bar of bars) bar.classList.remove("absent");
    if (isWhole) return;
    const way = paths[0];
    const length = way.getTotalLength();
    const ends = [Math.min(...met), Math.max(...met)].map((stop) => (stop / 1000) * length);
    const points = [];
    for (let s = ends[0]; s < ends[1]; s += 3) points.push(way.getPointAtLength(s));
    points.push(way.getPointAtLength(ends[1]));
    const cut = [[Math.min(...met), Math.min(...stops), 0], [Math.max(...met), Math.max(...stops), length]];
    for (const [now, before, end] of cut) {
      if (now === before) continue;
      const tip = way.getPointAtLength(end);
      for (const bar of bars) {
        const { x, y, width, height } = bar.getBBox();
        if (Math.hypot(x + width / 2 - tip.x, y + height / 2 - tip.y) < 16) bar.classList.add("absent");
      }
      const at = end ? points.length - 1 : 0;
      const inner = points[Math.abs(at - 1)] ?? points[at];
      const size = Math.hypot(points[at].x - inner.x, points[at].y - inner.y) || 1;
      const [nx, ny] = [(-(points[at].y - inner.y) / size) * 4.5, ((points[at].x - inner.x) / size) * 4.5];
      const bar = document.createElementNS(group.namespaceURI, "line");
      const set = { x1: points[at].x - nx, y1: points[at].y - ny, x2: points[at].x + nx, y2: points[at].y + ny, "stroke-width": 2.4, class: `${paths[1].getAttribute("class")} cut` };
      for (const [name, value] of Object.entries(set)) bar.setAttribute(name, value);
      group.append(bar);
    }
    const d = points.map(({ x, y }, i) => `${i ? "L" : "M"}${x.toFixed(1)} ${y.toFixed(1)}`).join("");
    for (const path of paths) {
      if (!whole.has(path)) whole.set(path, path.getAttribute("d"));
      path.setAttribute("d", d);
    }
  }

  const all = [
    ...[...document.querySelectorAll("svg.drawing")].map((svg) => new Drawing(svg)),
    ...[...document.querySelectorAll("table")].map((table) => new Table(table)),
  ];
  // In the order of the page, so that the places of a thing are listed as one meets them.
  all.sort((a, b) => (a.element.compareDocumentPosition(b.element) & Node.DOCUMENT_POSITION_FOLLOWING ? -1 : 1));
  const byElement = new Map(all.map((stage) => [stage.element, stage]));
  const inSight = new Set();
  let light = null;
  const watch = new IntersectionObserver((changes) => {
    for (const { target, isIntersecting } of changes) {
      const stage = byElement.get(target);
      if (!isIntersecting) { inSight.delete(stage); continue; }
      inSight.add(stage);
      stage.show(light);
      setTimeout(() => stage.read()); // so that the first pointing need not wait for it
    }
  }, { rootMargin: "150px" });
  for (const stage of all) watch.observe(stage.element);

  return {
    all,
    of: (target) => byElement.get(target.closest?.("svg.drawing, table")),
    inRegion: (region) => all.find((stage) => stage.region === region),
    show(key) {
      light = key ? { key, near: things.near.get(key) } : null;
      for (const stage of inSight) stage.show(light);
    },
    showAll() { for (const stage of all) stage.show(light); },
  };
})();

// What is lit: what one points at or steps to, or what is pinned.
const lighting = (() => {
  let pinned = null;
  let shown = null;
  const told = $("told");
  const wordsOf = ({ words, why }) => (why ? `${words}. Elsewhere: ${why}` : words);
  function show(key) {
    if (key === shown) return;
    shown = key;
    stages.show(key);
    told.textContent = key ? `${things.get(key).id}: ${wordsOf(things.get(key))}` : "";
  }
  function placesOf(key) {
    const list = $("lit-places");
    list.replaceChildren();
    for (const stage of stages.all) {
      const found = stage.at(key);
      if (!found.length || !stage.name) continue;
      const button = make("button", `${stage.name} · ${found.length}`, { type: "button" });
      button.addEventListener("click", () => goTo(stage, found[0]));
      list.append(button, " ");
    }
  }
  function goTo(stage, element) {
    for (let fold = element.closest("details"); fold; fold = fold.parentElement.closest("details")) fold.open = true;
    stage.region?.focus({ preventScroll: true });
    element.scrollIntoView({ block: "center" });
  }
  function pin(key) {
    pinned = key && things.has(key) ? key : null;
    $("lit").hidden = !pinned;
    if (pinned) {
      $("lit-name").textContent = things.get(pinned).id;
      $("lit-words").textContent = wordsOf(things.get(pinned));
      placesOf(pinned);
    }
    show(pinned);
    address.write();
  }
  return {
    get pinned() { return pinned; },
    get shown() { return shown; },
    point: (key) => { if (!pinned) show(key ?? null); },
    step: (key) => { if (pinned) pin(key); else show(key); },
    pin,
    goTo,
    tell: (words) => { told.textContent = words; },
  };
})();

// The pointer. A cable is thin, so a few pixels beside it count as well.
(() => {
  let before = null;
  const keyOf = (target) => stages.of(target)?.keyAt(target);
  function near(event) {
    const own = keyOf(event.target);
    if (own || !event.target.closest?.("svg.drawing")) return own;
    for (const [dx, dy] of [[0, 4], [4, 0], [0, -4], [-4, 0]]) {
      const other = document.elementFromPoint(event.clientX + dx, event.clientY + dy);
      const key = other && keyOf(other);
      if (key) return key;
    }
    return undefined;
  }
  document.addEventListener("pointerover", (event) => { if (event.pointerType !== "touch") lighting.point(near(event)); });
  document.addEventListener("pointermove", (event) => {
    if (event.pointerType === "touch" || !event.target.closest?.("svg.drawing") || event.target === before) return;
    const key = near(event);
    before = key ? event.target : null;
    lighting.point(key);
  });
  document.documentElement.addEventListener("pointerleave", () => lighting.point(null));
  document.addEventListener("click", (event) => {
    if (event.defaultPrevented || event.target.closest("a, button, input, select, summary, label, .looking")) return;
    const key = near(event);
    if (key) lighting.pin(key === lighting.pinned ? null : key);
  });
})();

// Finding by name: things, tables and parts of the report.
const finding = (() => {
  const input = $("find");
  const list = $("found");
  const MOST = 12;
  let shown = [];
  let active = -1;
  const parts = [
    ...stages.all.filter((stage) => stage.name).map((stage) => ({ id: stage.name, words: stage.element.caption ? "table" : "drawing", go: () => lighting.goTo(stage, stage.element) })),
    ...[...document.querySelectorAll("main h2, main h3")].map((head) => ({ id: head.textContent, words: "part of the report", go: () => head.scrollIntoView() })),
  ];
  const entries = [...things.all].map(([key, { id, words }]) => ({ id, words, go: () => lighting.pin(key) }));
  entries.push(...parts);
  for (const entry of entries) entry.low = entry.id.toLowerCase();
  function rank(entry, asked) {
    const at = entry.low.indexOf(asked);
    if (at < 0) return 9;
    return entry.low === asked ? 0 : at === 0 ? 1 : /[\s._+-]/.test(entry.low[at - 1]) ? 2 : 3;
  }
  function find() {
    const asked = input.value.trim().toLowerCase();
    const hits = asked ? entries.map((entry) => [rank(entry, asked), entry]).filter(([r]) => r < 9) : [];
    hits.sort(([a], [b]) => a - b);
    shown = hits.slice(0, MOST).map(([, entry]) => entry);
    list.replaceChildren(...shown.map((entry, i) => {
      const item = make("li", "", { id: `found-${i}` });
      item.setAttribute("role", "option");
      item.append(make("strong", entry.id), make("span", ` ${entry.words}`));
      return item;
    }));
    choose(shown.length ? 0 : -1);
    const open = Boolean(asked);
    list.hidden = !shown.length;
    input.setAttribute("aria-expanded", String(shown.length > 0));
    if (open) lighting.tell(hits.length > MOST ? `${hits.length} found, the nearest ${MOST} listed` : `${hits.length} found`);
  }
  function choose(i) {
    list.children[active]?.setAttribute("aria-selected", "false");
    active = i;
    list.children[i]?.setAttribute("aria-selected", "true");
    if (i < 0) input.removeAttribute("aria-activedescendant");
    else input.setAttribute("aria-activedescendant", `found-${i}`);
    list.children[i]?.scrollIntoView({ block: "nearest" });
  }
  function close() {
    list.hidden = true;
    input.setAttribute("aria-expanded", "false");
    input.removeAttribute("aria-activedescendant");
  }
  function take(i) {
    const entry = shown[i];
    if (!entry) return;
    close();
    input.value = entry.id;
    entry.go();
  }
  input.addEventListener("input", find);
  input.addEventListener("keydown", (event) => {
    if (list.hidden) return;
    if (event.key === "ArrowDown" || event.key === "ArrowUp") {
      choose((active + (event.key === "ArrowDown" ? 1 : -1) + shown.length) % shown.length);
    } else if (event.key === "Enter") take(active);
    else if (event.key === "Escape") { close(); event.stopPropagation(); } else return;
    event.preventDefault();
  });
  input.addEventListener("blur", close);
  // Before the field loses the focus, which would close the list.
  list.addEventListener("pointerdown", (event) => event.preventDefault());
  list.addEventListener("click", (event) => take([...list.children].indexOf(event.target.closest("li"))));
  return { focus() { input.focus(); input.select(); }, clear() { input.value = ""; close(); } };
})();

// Filters, and the build that hides what it lacks. Out: does not pass a filter; absent: not built.
const sieve = (() => {
  const FACETS = ["switch", "zone", "option", "grade", "left"];
  const fields = Object.fromEntries(FACETS.map((facet) => [facet, $(`by-${facet}`)]));
  const build = $("build");
  const of = (kind) => [...things.all.values()].filter((thing) => thing.kind === kind);
  const zoneOf = (id) => things.get(`switch/${id}`)?.zone;
  const fill = (select, pairs, none) => {
    select.replaceChildren(make("option", none, { value: "" }), ...pairs.map(([value, words]) => make("option", words, { value })));
    select.closest("label").hidden = !pairs.length;
  };
  const names = (values) => [...new Set(values.filter(Boolean))].sort().map((value) => [value, value]);
  fill(fields.switch, names(of("switch").map(({ id }) => id)), "any");
  fill(fields.zone, names(of("switch").map(({ zone }) => zone)), "any");
  const options = names(of("option").map(({ id }) => id));
  fill(fields.option, options.length ? [["-", "none"], ...options] : [], "any");
  fill(fields.grade, names(of("segment").map(({ grade }) => grade)), "any");
  fill(fields.left, things.all.size ? [["0", "none: late or at a limit"], ["0.1", "at most 10 %"], ["0.25", "at most 25 %"], ["0.5", "at most 50 %"]] : [], "any");
  fill(build, things.builds.map(([name]) => [name, name]), "all devices");
  $("filter-button").hidden = !things.all.size;
  let asked = {};
  let fitted = null;
  let known = new Map();

  const is = (facet, value) => !asked[facet] || asked[facet] === value;
  const isShort = (left) => !asked.left || left <= Number(asked.left);
  const streamsOf = (key) => [...things.near.get(key)].filter((k) => k.startsWith("stream/")).map(things.get);
  const isTight = (key, left) => isShort(left) || streamsOf(key).some((stream) => isShort(stream.left));
  const optionIs = (device) => !asked.option || (device.option ?? "-") === asked.option;
  const hangs = (segment) => is("switch", segment.switch) && is("zone", zoneOf(segment.switch)) && is("grade", segment.grade);
  const devices = (ids) => ids.map((id) => things.get(`device/${id}`)).filter(Boolean);
  const passes = {
    device(thing, key) {
      const home = things.get(`segment/${thing.segment}`);
      return optionIs(thing) && (home ? hangs(home) && isTight(key, home.left) : !asked.switch && !asked.zone && !asked.grade && !asked.left);
    },
    segment: (thing, key) => hangs(thing) && isTight(key, thing.left) && devices(thing.devices).some(optionIs),
    stream: (thing) => isShort(thing.left) && (thing.segments.some((id) => hangs(things.get(`segment/${id}`)))
      || (!asked.grade && thing.ways.flat().some((id) => is("switch", id) && is("zone", zoneOf(id)))))
      && (!asked.option || devices([thing.source, ...thing.to]).some(optionIs)),
    switch: (thing, key) => is("switch", thing.id) && is("zone", thing.zone)
      && (!(asked.option || asked.grade || asked.left) || [...things.near.get(key)].some((k) => k.startsWith("segment/") && fate(k) === "")),
    pathway: (thing) => thing.segments.some((id) => fate(`segment/${id}`) === ""),
    backbone: (thing) => thing.switches.some((id) => fate(`switch/${id}`) === ""),
    option: (thing) => is("option", thing.id),
  };
  const lacks = {
    device: (thing) => Boolean(thing.option) && !fitted.has(thing.option),
    segment: (thing) => thing.devices.length > 0 && devices(thing.devices).every(lacks.device),
    stream: (thing) => devices([thing.source]).some(lacks.device) || (thing.to.length > 0 && devices(thing.to).length === thing.to.length && devices(thing.to).every(lacks.device)),
    option: (thing) => !fitted.has(thing.id),
  };
  function fate(key) {
    if (known.has(key)) return known.get(key);
    const thing = things.get(key);
    let what = "";
    if (fitted && lacks[thing.kind]?.(thing)) what = "absent";
    else if (Object.keys(asked).length && !passes[thing.kind](thing, key)) what = "out";
    known.set(key, what);
    return what;
  }
  const read = () => {
    const state = {};
    for (const facet of FACETS) if (fields[facet].value) state[facet] = fields[facet].value;
    if (build.value) state.build = build.value;
    return state;
  };
  function apply(state) {
    for (const facet of FACETS) fields[facet].value = state[facet] ?? "";
    build.value = state.build ?? "";
    const wasSet = fitted || Object.keys(asked).length;
    ({ build: fitted = null, ...asked } = read());
    if (fitted) fitted = new Set(things.builds.find(([name]) => name === fitted)[1]);
    known = new Map();
    const isSet = fitted || Object.keys(asked).length;
    if (isSet || wasSet) for (const stage of stages.all) stage.sift(fate);
    const count = [...things.all.keys()].filter((key) => key.startsWith("device/") && fate(key) === "").length;
    $("clear").hidden = !isSet;
    if (isSet) lighting.tell(`${count} of ${of("device").length} devices shown`);
    $("filter-button").textContent = Object.keys(asked).length ? `Filters (${Object.keys(asked).length})` : "Filters";
  }
  function change() { apply(read()); address.write(); }
  for (const field of [...Object.values(fields), build]) field.addEventListener("change", change);
  $("clear").addEventListener("click", () => { apply({}); lighting.pin(null); finding.clear(); lighting.tell("Everything is shown"); });
  return { FACETS, read, apply };
})();

// Tables sorted by any column: a button in each heading.
const sorting = (() => {
  const first = new WeakMap(); // rows as they stand in the page
  const sorted = new Map(); // table: column and direction
  const STATES = ["bad", "warn", "ok"];
  const words = new Intl.Collator("en", { numeric: true });
  function number(text) {
    const plain = text.replace(/[\s\u00a0\u202f]/g, "").replace("\u2212", "-");
    if (plain.startsWith("\u221e")) return Infinity;
    const found = /^[<>\u2264]?(-?[\d.]+)/.exec(plain);
    return found ? Number(found[1]) : NaN;
  }
  function value(cell, isNumeric) {
    const state = STATES.findIndex((name) => cell.classList.contains(name));
    if (state >= 0) return state;
    return isNumeric ? number(cell.textContent) : cell.textContent.trim();
  }
  function sort(table, column, direction) {
    const body = table.tBodies[0];
    if (!first.has(table)) first.set(table, [...body.rows]);
    const rows = [...first.get(table)];
    const heads = [...table.tHead.rows[0].cells];
    if (!heads[column]) return;
    if (direction) {
      const keyed = rows.map((row) => [row.cells[column] ? value(row.cells[column], heads[column].classList.contains("num")) : "", row]);
      const sign = direction === "descending" ? -1 : 1;
      keyed.sort(([a], [b]) => {
        const isNone = [a, b].map((v) => v === "" || Number.isNaN(v));
        if (isNone[0] || isNone[1]) return isNone[0] - isNone[1]; // what has no value stands last
        return sign * (typeof a === "number" && typeof b === "number" ? Math.sign(a - b) || 0 : words.compare(String(a), String(b)));
      });
      keyed.forEach(([, row], i) => { rows[i] = row; });
    }
    body.append(...rows);
    for (const head of heads) head.removeAttribute("aria-sort");
    if (direction) { heads[column].setAttribute("aria-sort", direction); sorted.set(table, [column, direction]); } else sorted.delete(table);
  }
  for (const table of document.querySelectorAll("table")) {
    if (!table.id || (table.tBodies[0]?.rows.length ?? 0) < 2) continue;
    [...(table.tHead?.rows[0]?.cells ?? [])].forEach((head, column) => {
      if (!head.textContent.trim()) return; // bars have no name, and nothing to sort by
      const button = make("button", "", { type: "button", className: "sort" });
      button.append(...head.childNodes);
      head.append(button);
      button.addEventListener("click", () => {
        // Figures begin with the largest, which is what one looks for; a third press undoes it.
        const ways = head.classList.contains("num") ? ["descending", "ascending", ""] : ["ascending", "descending", ""];
        const next = ways[(ways.indexOf(head.getAttribute("aria-sort") ?? "") + 1) % 3];
        sort(table, column, next);
        lighting.tell(next ? `Sorted by ${head.textContent.trim()}, ${next}` : "In the order of the report");
        address.write();
      });
    });
  }
  return {
    read: () => [...sorted].map(([table, [column, direction]]) => `${table.id.replace(/^table-/, "")}.${column}.${direction[0]}`),
    apply(list) {
      for (const table of [...sorted.keys()]) sort(table, 0, "");
      for (const one of list) {
        const found = /^(.+)\.(\d+)\.([ad])$/.exec(one);
        const table = found && $(`table-${found[1]}`);
        if (table?.tHead) sort(table, Number(found[2]), found[3] === "a" ? "ascending" : "descending");
      }
    },
  };
})();

// Zoom and pan of the drawings. Letters and marks grow more slowly than distances, so crowded
// places open up; a drawing too full for names gets them as soon as there is room.
const zooming = (() => {
  const MOST = 24;
  const drawings = new Map();

  class Zoom {
    constructor(svg) {
      this.svg = svg;
      this.region = svg.closest("[tabindex]");
      const [x, y, width, height] = svg.getAttribute("viewBox").split(" ").map(Number);
      this.base = { x, y, width, height };
      this.times = 1;
      this.x = x;
      this.y = y;
      this.level();
    }
    set(times, x, y) {
      this.times = Math.min(Math.max(times, 1), MOST);
      const { base } = this;
      const keep = (at, from, size) => Math.min(Math.max(at, from), from + size - size / this.times);
      this.x = keep(x, base.x, base.width);
      this.y = keep(y, base.y, base.height);
      if (!this.due) this.due = requestAnimationFrame(() => { this.due = 0; this.draw(); });
    }
    draw() {
      const { svg, base, times } = this;
      svg.setAttribute("viewBox", `${this.x} ${this.y} ${base.width / times} ${base.height / times}`);
      svg.classList.toggle("zoomed", times > 1);
      svg.style.setProperty("--grow", String(times ** -0.75));
      this.level();
      stages.of(svg).follow();
      clearTimeout(this.later);
      this.later = setTimeout(() => { this.names(); address.write(); }, 120);
    }
    level() {
      if (this.svg.dataset.labels !== "marks") return;
      this.svg.dataset.level = this.times < 1.7 ? "zones" : this.times < 4 ? "lines" : "devices";
    }
    around(times, at) {
      const x = at?.x ?? this.x + this.base.width / this.times / 2;
      const y = at?.y ?? this.y + this.base.height / this.times / 2;
      const next = Math.min(Math.max(times, 1), MOST);
      const share = this.times / next;
      this.set(next, x - (x - this.x) * share, y - (y - this.y) * share);
    }
    move(dx, dy) { this.set(this.times, this.x + dx, this.y + dy); }
    whole() { this.set(1, this.base.x, this.base.y); }
    point(event) { return new DOMPoint(event.clientX, event.clientY).matrixTransform(this.svg.getScreenCTM().inverse()); }
    // Names of lines and devices in sight, as far as they do not cover one another.
    names() {
      const { svg, times } = this;
      svg.querySelector(":scope > .names")?.remove();
      svg.classList.remove("named");
      const { labels, level } = svg.dataset;
      if (times < 1.7 || (labels !== "marks" && labels !== "numbers")) return;
      const layer = document.createElementNS(svg.namespaceURI, "g");
      layer.setAttribute("class", "names");
      layer.setAttribute("aria-hidden", "true");
      const size = 11 * times ** -0.9;
      const taken = [];
      const write = (words, x, y) => {
        const box = [x, y - size, x + words.length * size * 0.6, y + size * 0.3];
        if (taken.some((t) => box[0] < t[2] && t[0] < box[2] && box[1] < t[3] && t[1] < box[3])) return;
        taken.push(box);
        const text = document.createElementNS(svg.namespaceURI, "text");
        for (const [name, value] of Object.entries({ x, y, "font-size": size })) text.setAttribute(name, value);
        text.textContent = words;
        layer.append(text);
      };
      const isSeen = ({ x, y }) => x >= this.x && y >= this.y && x <= this.x + this.base.width / times && y <= this.y + this.base.height / times;
      if (labels === "marks") {
        for (const group of svg.querySelectorAll(":scope > .cables > [data-segment]")) {
          const path = group.querySelector("path");
          const length = path.getTotalLength();
          const spot = [0.5, 0.3, 0.7, 0.15, 0.85].map((share) => path.getPointAtLength(share * length)).find(isSeen);
          if (spot) write(group.dataset.segment, spot.x, spot.y);
        }
      }
      if (level !== "lines") {
        for (const mark of svg.querySelectorAll(":scope > .marks > [data-device]")) {
          this.middles ??= new WeakMap();
          if (!this.middles.has(mark)) {
            const { x, y, width, height } = mark.getBBox();
            this.middles.set(mark, { x: x + width / 2, y: y + height / 2 });
          }
          const middle = this.middles.get(mark);
          if (isSeen(middle)) write(mark.dataset.device, middle.x + size * 0.7, middle.y + size * 0.35);
        }
        svg.classList.add("named");
      }
      svg.append(layer);
    }
  }

  function follow(zoom) {
    const { svg, region } = zoom;
    const fingers = new Map();
    let dragged = 0;
    svg.addEventListener("wheel", (event) => {
      const isOurs = event.ctrlKey || document.activeElement === region;
      // Where there is nothing left to zoom out the page scrolls on.
      if (!isOurs || (!event.ctrlKey && event.deltaY > 0 && zoom.times === 1)) return;
      event.preventDefault();
      zoom.around(zoom.times * 2 ** (-event.deltaY / (event.deltaMode ? 12 : 320)), zoom.point(event));
    }, { passive: false });
    svg.addEventListener("pointerdown", (event) => {
      if (event.button) return;
      fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
      if (fingers.size === 1) dragged = 0;
    });
    svg.addEventListener("pointermove", (event) => {
      const before = fingers.get(event.pointerId);
      if (!before) return;
      const now = { x: event.clientX, y: event.clientY };
      const px = zoom.base.width / zoom.times / svg.clientWidth;
      dragged += Math.hypot(now.x - before.x, now.y - before.y);
      if (fingers.size === 2) {
        const [other] = [...fingers].filter(([id]) => id !== event.pointerId).map(([, at]) => at);
        const wide = (at) => Math.hypot(at.x - other.x, at.y - other.y) || 1;
        const middle = { clientX: (now.x + other.x) / 2, clientY: (now.y + other.y) / 2 };
        zoom.around((zoom.times * wide(now)) / wide(before), zoom.point(middle));
      } else if (zoom.times > 1 && dragged > 4) {
        svg.setPointerCapture(event.pointerId);
        zoom.move((before.x - now.x) * px, (before.y - now.y) * px);
      }
      fingers.set(event.pointerId, now);
    });
    for (const name of ["pointerup", "pointercancel"]) svg.addEventListener(name, (event) => fingers.delete(event.pointerId));
    // The end of a drag is no click.
    svg.addEventListener("click", (event) => { if (zoom.times > 1 && dragged > 4) event.preventDefault(); });
    const bar = make("div", "", { className: "zoom" });
    bar.setAttribute("role", "group");
    bar.setAttribute("aria-label", "Zoom");
    for (const [sign, name, act] of [["+", "Zoom in", () => zoom.around(zoom.times * 1.6)], ["\u2212", "Zoom out", () => zoom.around(zoom.times / 1.6)], ["all", "Show all", () => zoom.whole()]]) {
      // The keys do the same where the drawing has the focus, so three more stops are spared.
      const button = make("button", sign, { type: "button", tabIndex: -1, title: name });
      button.setAttribute("aria-label", name);
      button.addEventListener("click", act);
      bar.append(button);
    }
    region.before(bar);
  }

  // A drawing wider than the screen begins at its first switch, not at an empty corner.
  const center = new IntersectionObserver((entries) => {
    for (const { isIntersecting, target } of entries) {
      if (!isIntersecting) continue;
      center.unobserve(target);
      const mark = target.querySelector("rect[data-switch]")?.getBoundingClientRect();
      const region = target.closest("[tabindex]");
      const own = region.getBoundingClientRect();
      if (mark) region.scrollLeft += mark.left + mark.width / 2 - own.left - own.width / 2;
    }
  });
  for (const svg of document.querySelectorAll(".wide svg.drawing")) {
    if (!svg.querySelector("[data-segment]")) continue;
    const zoom = new Zoom(svg);
    drawings.set(svg.id, zoom);
    follow(zoom);
    center.observe(svg);
  }
  const STEPS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
  return {
    // Whether a key was one for the drawing in this region.
    key(event) {
      const zoom = [...drawings.values()].find(({ region }) => region === event.target);
      if (!zoom) return false;
      if (event.key === "+" || event.key === "=") zoom.around(zoom.times * 1.6);
      else if (event.key === "-") zoom.around(zoom.times / 1.6);
      else if (event.key === "0") zoom.whole();
      else if (event.key in STEPS && zoom.times > 1) zoom.move(...STEPS[event.key].map((step) => (step * zoom.base.width) / zoom.times / 8));
      else return false;
      return true;
    },
    read: () => [...drawings].filter(([, { times }]) => times > 1).map(([id, { times, x, y }]) => [id, times.toFixed(2), Math.round(x), Math.round(y)].join(",")),
    apply(list) {
      for (const zoom of drawings.values()) if (zoom.times > 1) zoom.whole();
      for (const one of list) {
        const [id, times, x, y] = one.split(",");
        if ([times, x, y].every((n) => Number.isFinite(Number(n)))) drawings.get(id)?.set(Number(times), Number(x), Number(y));
      }
    },
    drawWhole() {
      for (const zoom of drawings.values()) {
        const { base, svg } = zoom;
        svg.setAttribute("viewBox", `${base.x} ${base.y} ${base.width} ${base.height}`);
        svg.classList.remove("zoomed", "named");
        delete svg.dataset.level;
        svg.querySelector(":scope > .names")?.remove();
      }
    },
    redraw() { for (const zoom of drawings.values()) zoom.draw(); },
  };
})();

// The view in the address: anchor first, then what is lit, filters, build, order, zoom.
const address = (() => {
  let due = 0;
  let isReading = false;
  const anchorOf = (hash) => { const start = hash.replace(/^#/, "").split("&")[0]; return start.includes("=") ? "" : start; };
  let anchor = anchorOf(location.hash);
  function text() {
    const parts = new URLSearchParams();
    if (lighting.pinned) parts.set("at", lighting.pinned);
    for (const [name, value] of Object.entries(sieve.read())) parts.set(name, value);
    for (const one of sorting.read()) parts.append("sort", one);
    for (const one of zooming.read()) parts.append("view", one);
    return [anchor, parts.toString().replaceAll("%2F", "/").replaceAll("%2C", ",")].filter(Boolean).join("&");
  }
  // Browsers allow few changes of the address in a row, so it waits until one is done.
  function write() {
    if (isReading) return;
    clearTimeout(due);
    due = setTimeout(() => history.replaceState(null, "", `#${text()}`), 150);
  }
  function read() {
    const parts = new URLSearchParams(location.hash.replace(/^#/, "").split("&").filter((part) => part.includes("=")).join("&"));
    isReading = true;
    anchor = anchorOf(location.hash);
    const state = Object.fromEntries([...sieve.FACETS, "build"].filter((name) => parts.has(name)).map((name) => [name, parts.get(name)]));
    sieve.apply(state);
    sorting.apply(parts.getAll("sort"));
    zooming.apply(parts.getAll("view"));
    lighting.pin(parts.get("at"));
    isReading = false;
    if (anchor && location.hash !== `#${anchor}`) $(anchor)?.scrollIntoView();
  }
  // A link within the page changes where one is, not what one looks at.
  addEventListener("hashchange", () => {
    if (location.hash.includes("=")) { read(); return; }
    anchor = anchorOf(location.hash);
    write();
  });
  return { write, read };
})();

// Keys and panels of the bar.
(() => {
  for (const [button, panel] of [["filter-button", "filters"], ["keys-button", "keys-help"]]) {
    $(button).addEventListener("click", () => {
      $(panel).hidden = !$(panel).hidden;
      $(button).setAttribute("aria-expanded", String(!$(panel).hidden));
    });
  }
  function step(region, by) {
    const keys = stages.inRegion(region)?.steps() ?? [];
    if (!keys.length) return false;
    const at = keys.indexOf(lighting.shown);
    const key = keys[at < 0 ? (by > 0 ? 0 : keys.length - 1) : (at + by + keys.length) % keys.length];
    lighting.step(key);
    const [element] = stages.inRegion(region).at(key);
    if (element.tagName === "TR") element.scrollIntoView({ block: "nearest" });
    return true;
  }
  document.addEventListener("keydown", (event) => {
    if (event.defaultPrevented || event.ctrlKey || event.metaKey || event.altKey) return;
    const isTyping = event.target.closest?.("input, select, textarea");
    let isDone = true;
    if (event.key === "Escape") {
      if (lighting.pinned) lighting.pin(null);
      else { lighting.point(null); isDone = false; }
    } else if (isTyping) isDone = false;
    else if (event.key === "/" && $("slash").checked) finding.focus();
    else if (event.key === "n" || event.key === "N") isDone = step(event.target, 1);
    else if (event.key === "p" || event.key === "P") isDone = step(event.target, -1);
    else if (event.key === "Enter" && lighting.shown && stages.inRegion(event.target)) lighting.pin(lighting.shown === lighting.pinned ? null : lighting.shown);
    else isDone = zooming.key(event);
    if (isDone) event.preventDefault();
  });
  // Paper shows the whole report, whatever one looks at.
  let kept = null;
  addEventListener("beforeprint", () => {
    kept = { state: sieve.read(), order: sorting.read() };
    stages.show(null);
    stages.showAll();
    sieve.apply({});
    sorting.apply([]);
    zooming.drawWhole();
  });
  addEventListener("afterprint", () => {
    sieve.apply(kept.state);
    sorting.apply(kept.order);
    zooming.redraw();
    stages.show(lighting.shown);
  });
  address.read();
})();
})();
