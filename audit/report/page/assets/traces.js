// The traces of a pull, or of several: panels that share zoom, cursor and axis. Drawn when they come into sight.
"use strict";
const Traces = (() => {
  const groups = new Map();
  const LEAST = { time: 0.2, rpm: 100 };

  class Group {
    constructor(section, packet) {
      this.section = section; this.packet = packet; this.panels = new Map();
      this.mode = packet.begin || "time";
      this.grids = packet.grids.map(Numbers.openGrid);
      this.series = new Map(Object.entries(packet.series).map(([name, s]) => [name, Numbers.openSeries(s, this.grids[s.grid || 0])]));
      this.extent = this.whole();
      this.range = this.extent;
      section.addEventListener("change", e => { if (e.target.type === "radio") this.across(e.target.value); });
      section.addEventListener("click", e => { const what = e.target.dataset && e.target.dataset.do; if (what) this.zoom(what); });
      Figures.build(this);
      this.began(section);
      if (!this.grids.some(g => g.hasSpeed)) section.querySelector("input[value=rpm]").disabled = true;
    }

    // Figures that were put into a part of the section: their keys, their names, and to be drawn when seen.
    began(part) {
      for (const figure of part.querySelectorAll("figure.panel")) {
        figure.addEventListener("keydown", e => this.key(e));
        figure.addEventListener("dblclick", () => this.zoom("all"));
        seen.observe(figure);
      }
      this.name();
    }

    // Lambda, moved back by its lag, against boost inside the pull.
    loadPoints() {
      if (this.loaded) return this.loaded;
      const out = { x: [], y: [] }, { load } = this.packet, boost = this.series.get("boost"), lam = this.series.get("lambda"), g = this.grids[0];
      if (load && boost && lam) lam.t.forEach((t, i) => {
        const b = t >= g.start && t <= g.end ? Numbers.at(boost.t, boost.v, t - load.lag) : NaN;
        if (b > 0) { out.x.push(b); out.y.push(lam.v[i]); }
      });
      const every = Math.max(1, Math.ceil(out.x.length / 110));
      this.loaded = { x: out.x.filter((v, i) => i % every === 0), y: out.y.filter((v, i) => i % every === 0) };
      return this.loaded;
    }

    whole() {
      const mode = this.mode, low = [], high = [];
      for (const g of this.grids) {
        if (mode === "rpm" && !g.hasSpeed) continue;
        low.push(mode === "rpm" ? g.from : g.x(g.time[0], mode));
        high.push(mode === "rpm" ? g.to : g.x(g.time[g.time.length - 1], mode));
      }
      const a = Math.min(...low), b = Math.max(...high), pad = (b - a) * 0.01;
      return [a - pad, b + pad];
    }

    // --- drawing -------------------------------------------------------------------------
    draw(figure) {
      const id = figure.dataset.panel;
      if (this.panels.has(id)) return;
      const element = figure.querySelector(".plot");
      if (id === "load") { this.panels.set(id, this.loadPanel(element)); return; }
      const spec = this.packet.panels.find(p => p.id === id), layers = this.layersOf(spec);
      const panel = new Plots.Panel(element, { x: this.range, y: this.heights(spec, layers), layers, margin: small => this.margin(small),
        zoom: (a, b) => this.look(a, b), point: x => this.pointAt(x) });
      panel.spec = spec;
      this.panels.set(id, panel);
    }

    layersOf(spec) {
      const g = this.grids[0], mode = this.mode, mine = this.packet.marks.filter(m => m.panel === spec.id), layers = [];
      for (const b of spec.bands) layers.push({ kind: "band", left: g.xClamped(b.start, mode), right: g.xClamped(b.end, mode), low: b.low, high: b.high });
      for (const m of mine) layers.push({ kind: "mark", left: g.xClamped(m.start, mode), right: g.xClamped(m.end, mode), text: `${m.n} ${m.severity}` });
      spec.series.forEach((name, i) => {
        const s = this.series.get(name);
        if (s.rejected && s.rejected.length) {
          const x = s.rejected.map(r => s.gridOf.x(r[0], mode)), y = s.rejected.map(r => r[1]);
          layers.push({ kind: "points", x, y, shape: "cross", role: "doubted", pinned: true });
        }
        layers.push({ kind: "line", ...Numbers.line(s, mode), style: i, role: s.role });
      });
      return [...layers, ...this.levelsOf(spec)];
    }

    // The levels of a panel, each once.
    levelsOf(spec) {
      const limits = this.packet.marks.filter(m => m.panel === spec.id).flatMap(m => m.limits.map(l => ({ ...l, role: "limit" })));
      const all = [...spec.bands.map(b => ({ y: (b.low + b.high) / 2, text: b.level, role: "settled" })), ...spec.lines, ...limits];
      return [...new Map(all.map(l => [`${l.text}|${l.y.toFixed(3)}`, { kind: "level", y: l.y, text: l.text, role: l.role }])).values()];
    }

    // Room at the right for the longest text of all panels, so that their axes stand under each other.
    margin(small) {
      const texts = this.packet.panels.flatMap(spec => this.levelsOf(spec)).map(l => Plots.beside(l.text, small));
      const key = small ? "tight" : "roomy";
      this.room = this.room || {};
      if (this.room[key] === undefined) this.room[key] = texts.length ? Plots.widthOf(texts) + 10 : 12;
      return this.room[key];
    }

    heights(spec, layers) {
      let low = Infinity, high = -Infinity;
      const take = v => { if (v < low) low = v; if (v > high) high = v; };
      const inside = this.spans(spec);
      for (const name of spec.series) {
        const s = this.series.get(name), mine = inside.filter(([g]) => g === s.gridOf);
        s.v.forEach((v, i) => { if (mine.some(([, a, b]) => s.t[i] >= a && s.t[i] <= b)) take(v); });
      }
      if (low > high) for (const name of spec.series) this.series.get(name).v.forEach(take);
      if (low > high) for (const name of spec.series) this.series.get(name).rejected.forEach(r => take(r[1]));
      const span = high - low || Math.abs(high) || 1;
      for (const l of layers) if (l.kind === "level" && l.y > low - span && l.y < high + span) take(l.y);
      for (const b of spec.bands) { take(b.low); take(b.high); }
      if (spec.unit === "%" && low > 0) take(0);
      if (low > high) { low = 0; high = 1; }
      const room = Math.max(high - low, Math.abs(high) * 0.02, 1e-3);
      return [low - room * 0.1, high + room * 0.16];
    }

    // What must be in sight up and down: the pulls themselves, and what is marked; what leads in and out may leave the frame.
    spans(spec) {
      const marks = this.packet.marks.filter(m => m.panel === spec.id).map(m => [this.grids[0], m.start, m.end]);
      return [...this.grids.map(g => [g, g.start, g.end]), ...marks];
    }

    loadPanel(element) {
      const { load } = this.packet, { x, y } = this.loadPoints(), top = Math.max(...x) * 1.04;
      const heights = [...y, ...load.limits.flatMap(l => l.y)], low = Math.min(...heights), high = Math.max(...heights), span = high - low || 0.1;
      const layers = [{ kind: "points", x, y, style: 0, size: 2.5 }];
      for (const l of load.limits) {
        layers.push({ kind: "line", x: [...l.x, Math.max(top, l.x[l.x.length - 1])], y: [...l.y, l.y[l.y.length - 1]], role: `lean ${l.name}` });
        layers.push({ kind: "step", y: l.y[l.y.length - 1], text: l.text, role: "limit" });
      }
      return new Plots.Panel(element, { x: [0, top], y: [low - span * 0.12, high + span * 0.14], layers });
    }

    drawn() { return [...this.panels.entries()].filter(([id]) => id !== "load").map(([, p]) => p); }

    // --- moving --------------------------------------------------------------------------
    name() {
      const rpm = this.mode === "rpm";
      this.section.dataset.across = this.mode;
      for (const p of this.section.querySelectorAll("figure:not(.load) p.across")) p.textContent = rpm ? "engine speed, rpm" : this.packet.across;
      for (const w of this.section.querySelectorAll("[data-when]")) w.textContent = rpm && w.dataset.rpm ? w.dataset.rpm : w.dataset.when;
    }

    across(mode) {
      this.mode = mode; this.extent = this.whole();
      for (const panel of this.drawn()) { panel.layers = this.layersOf(panel.spec); panel.cursor = NaN; }
      this.name();
      this.look(...this.extent);
      this.said("");
    }

    look(start, end) {
      const [low, high] = this.extent, least = LEAST[this.mode];
      let a = Math.max(Math.min(start, end), low), b = Math.min(Math.max(start, end), high);
      if (b - a < least) { const mid = (a + b) / 2; a = mid - least / 2; b = mid + least / 2; }
      this.range = [a, b];
      for (const panel of this.drawn()) { panel.x = this.range; panel.draw(); }
      this.section.dataset.from = a.toFixed(3); this.section.dataset.to = b.toFixed(3);
    }

    zoom(what) {
      const [a, b] = this.range, mid = Number.isFinite(this.x) && this.x > a && this.x < b ? this.x : (a + b) / 2, factor = what === "in" ? 0.5 : 2;
      if (what === "all") this.look(...this.extent);
      else this.look(mid - (mid - a) * factor, mid + (b - mid) * factor);
    }

    pointAt(x) {
      if (!Number.isFinite(x)) return;
      this.x = x;
      for (const panel of this.drawn()) { panel.cursor = x; panel.moved(); }
      for (const out of this.section.querySelectorAll("output[data-series]")) {
        const s = this.series.get(out.dataset.series), t = s.gridOf.back(x, this.mode), v = Numbers.near(s, t);
        out.textContent = Number.isNaN(v) ? "–" : v.toFixed(s.digits);
      }
      const g = this.grids[0], t = g.back(x, this.mode), rpm = g.x(t, "rpm");
      const speed = Number.isFinite(rpm) ? `, ${rpm.toFixed(0)} rpm` : "";
      this.said(this.mode === "rpm" ? `${x.toFixed(0)} rpm` : `${x.toFixed(2)} s${this.grids.length === 1 ? speed : ""}`);
      this.section.dataset.cursor = x.toFixed(3);
    }

    said(text) { this.section.querySelector(".at").textContent = text; }

    key(event) {
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      const [a, b] = this.range, step = (b - a) / (event.shiftKey ? 10 : 80);
      const from = Number.isFinite(this.x) && this.x >= a && this.x <= b ? this.x : (a + b) / 2;
      const does = { ArrowLeft: () => this.pointAt(Math.max(from - step, a)), ArrowRight: () => this.pointAt(Math.min(from + step, b)),
        "+": () => this.zoom("in"), "=": () => this.zoom("in"), "-": () => this.zoom("out"), 0: () => this.zoom("all") }[event.key];
      if (does) { does(); event.preventDefault(); }
    }

    goTo(item) {
      if (this.mode !== "time") {
        this.section.querySelector("input[value=time]").checked = true;
        this.across("time");
      }
      const shift = this.packet.grids[0].shift || 0, start = Number(item.dataset.start) - shift, end = Number(item.dataset.end) - shift;
      const room = Math.max(1.5, (end - start) * 0.5);
      this.look(start - room, end + room);
      this.pointAt((start + end) / 2);
    }
  }

  // --- the page ------------------------------------------------------------------------------
  const seen = new IntersectionObserver(entries => {
    for (const e of entries) if (e.isIntersecting) { seen.unobserve(e.target); show(e.target); }
  }, { rootMargin: "400px" });

  // The numbers of a section, with what the page leaves out where it is empty.
  function packetOf(section) {
    const packet = JSON.parse(document.getElementById(section.dataset.packet).textContent);
    packet.panels = packet.panels.map(p => ({ lines: [], bands: [], ...p }));
    return packet;
  }

  // The group of a section, or of a figure or mark in it; it is built when it is first asked for.
  function groupOf(node) {
    const section = node.closest(".traces");
    if (!groups.has(section)) groups.set(section, new Group(section, packetOf(section)));
    return groups.get(section);
  }

  // Build a section of traces, or draw a figure.
  function show(figure) {
    try {
      if (figure.classList.contains("chart")) Charts.draw(figure);
      else if (figure.classList.contains("traces")) groupOf(figure);
      else groupOf(figure).draw(figure);
    } catch (error) {
      (figure.querySelector(".plot") || figure).textContent = "This plot could not be drawn by this browser.";
      console.error(error);
    }
  }

  const begin = root => root.querySelectorAll(".traces, figure.chart").forEach(f => seen.observe(f));

  async function fetchLate(place) {
    if (place.dataset.begun) return;
    place.dataset.begun = "yes";
    try {
      const answer = await fetch(place.dataset.source);
      if (!answer.ok) throw new Error(String(answer.status));
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      place.replaceChildren(...page.body.children);
      begin(place);
      follow();
    } catch (error) {
      place.textContent = "This part could not be fetched. Load the page again.";
    }
  }

  // What a fold holds stands in a <noscript>, which costs a browser with scripts its text alone, until it is opened.
  function fill(fold) {
    for (const held of fold.querySelectorAll(":scope > noscript.folded")) held.replaceWith(...new DOMParser().parseFromString(held.textContent, "text/html").body.childNodes);
  }

  function unfold(item) {
    for (let d = item.closest("details"); d; d = d.parentElement.closest("details")) d.open = true;
  }

  function follow() {
    const mark = /^#mark-\d+$/.test(location.hash), name = decodeURIComponent(location.hash.slice(1));
    const place = mark && document.querySelector(`.traces[data-marks~="${name.slice(5)}"]`);
    if (place) { unfold(place); groupOf(place); }
    const item = name && document.getElementById(name);
    if (!item) {
      if (mark) document.querySelectorAll(".late[data-source]").forEach(fetchLate);
      return;
    }
    unfold(item);
    if (!mark) { item.scrollIntoView(); return; }
    const group = groupOf(item), figure = item.closest("figure");
    group.draw(figure);
    group.goTo(item);
    figure.scrollIntoView({ block: "center" });
    item.focus({ preventScroll: true });
  }

  // From finding to finding, worst first as they are numbered: by the buttons, or the keys n and p.
  function step(by) {
    const all = [...document.querySelectorAll(".finding")];
    if (!all.length) return;
    const here = document.activeElement ? document.activeElement.closest(".finding") : null, at = all.indexOf(here);
    const next = all[at < 0 ? (by > 0 ? 0 : all.length - 1) : (at + by + all.length) % all.length];
    unfold(next);
    next.focus({ preventScroll: true });
    next.scrollIntoView({ block: "center" });
    document.querySelectorAll("[data-step-said]").forEach(o => { o.textContent = `finding ${all.indexOf(next) + 1} of ${all.length}`; });
  }

  // Take some of a place's parts off the paper, the place itself where these are all of them.
  function hide(all, some, place) {
    const gone = all.filter(part => some.includes(part));
    for (const part of gone.length === all.length ? [place] : gone) part.classList.add("unseen");
  }

  const PAPER = 690; // the width between the margins of a page, in pixels at 96 an inch
  let folded = [], cells = [];
  // On paper stands all that is unfolded, drawn anew for it; passing pulls that are folded stand together as cells.
  function toPaper(on) {
    if (!on) {
      folded.forEach(d => { d.open = false; });
      cells.forEach(c => c.remove());
      folded = [];
      document.querySelectorAll(".unseen").forEach(c => c.classList.remove("unseen"));
      Plots.onPaper(0);
      return;
    }
    const quiet = [...document.querySelectorAll(".card.calm .traces")].filter(t => !t.closest("details").open);
    document.querySelectorAll(".folds").forEach(f => hide([...f.children], quiet.map(t => t.closest(".card")), f));
    // Of many pulls the table has those with a finding; a passing one has its figures in its cell, and no differences.
    const many = document.querySelectorAll(".card").length > 12, table = document.querySelector(".overview");
    const held = [...document.querySelectorAll(".rest > noscript.folded")].map(n => new DOMParser().parseFromString(n.textContent, "text/html"));
    const row = new Map([document, ...held].flatMap(d => [...d.querySelectorAll(".overview tbody tr")]).map(r => [r.cells[0].firstElementChild.hash.slice(1), r]));
    const rows = many ? quiet.map(t => row.get(t.closest(".card").id)) : [];
    if (rows.length) hide([...table.tBodies[0].rows], rows, table);
    const figures = row => [...row.cells].slice(2).map(c => c.textContent.trim());
    cells = Cells.put(document.querySelector(".contact"), quiet.map(packetOf), rows.length ? figures(table.rows[0]) : [], rows.map(figures));
    document.querySelectorAll(".traces").forEach(t => { if (!quiet.includes(t)) { seen.unobserve(t); show(t); } });
    for (const [section, group] of groups) if (group.unfold && !quiet.includes(section)) group.unfold();
    folded = [...document.querySelectorAll("details:not([open]):not(.pull)")].filter(d => d.querySelector("figure, .finding"));
    folded.forEach(d => { d.open = true; if (!many || !d.matches(".over")) fill(d); });
    Plots.onPaper(PAPER);
    document.querySelectorAll("figure.panel, figure.chart").forEach(f => { if (!f.closest("details.pull:not([open])")) { seen.unobserve(f); show(f); } });
  }

  async function copy(button) {
    const text = document.getElementById(button.dataset.copies).textContent, said = button.parentElement.querySelector("[role=status]");
    try {
      await navigator.clipboard.writeText(text);
      said.textContent = "Copied.";
    } catch (error) {
      const box = document.getElementById(button.dataset.copies);
      unfold(box);
      getSelection().selectAllChildren(box);
      said.textContent = document.execCommand("copy") ? "Copied." : "The text is marked: copy it with the keyboard.";
    }
  }

  begin(document);
  document.addEventListener("toggle", e => { if (e.target.open && !folded.includes(e.target)) fill(e.target); }, { capture: true });
  const late = new IntersectionObserver(entries => {
    for (const e of entries) if (e.isIntersecting) { late.unobserve(e.target); fetchLate(e.target); }
  }, { rootMargin: "900px" });
  document.querySelectorAll(".late[data-source]").forEach(p => late.observe(p));
  window.addEventListener("hashchange", follow);
  document.addEventListener("click", e => {
    const to = e.target.closest && e.target.closest("a[href^='#'], button");
    if (!to) return;
    if (to.dataset.step) step(Number(to.dataset.step));
    else if (to.dataset.copies) copy(to);
    else if (to.hash && to.hash === location.hash) follow();
  });
  document.addEventListener("keydown", e => {
    if (e.ctrlKey || e.metaKey || e.altKey || e.target.closest("input, select, textarea")) return;
    if (e.key === "n" || e.key === "p") step(e.key === "n" ? 1 : -1);
  });
  window.addEventListener("beforeprint", () => toPaper(true));
  window.addEventListener("afterprint", () => toPaper(false));
  follow();
  return { groups };
})();
