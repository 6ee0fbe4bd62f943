// The traces of a pull, or of two: panels that share zoom, cursor and axis.
"use strict";
(() => {
  const groups = new Map();
  const LEAST = { time: 0.2, rpm: 100 };

  class Group {
    constructor(section, packet) {
      this.section = section; this.packet = packet; this.mode = "time"; this.panels = new Map(); this.syncing = false;
      this.grids = packet.grids.map(Numbers.openGrid);
      this.series = new Map(Object.entries(packet.series).map(([name, s]) => [name, Numbers.openSeries(s, this.grids[s.grid])]));
      this.extent = this.whole();
      this.range = this.extent;
      if (!this.grids.some(g => g.hasSpeed)) section.querySelector("input[value=rpm]").disabled = true;
      section.addEventListener("change", e => { if (e.target.type === "radio") this.across(e.target.value); });
      section.addEventListener("click", e => { const what = e.target.dataset && e.target.dataset.do; if (what) this.zoom(what); });
      for (const figure of section.querySelectorAll("figure.panel")) {
        figure.addEventListener("keydown", e => this.key(e));
        figure.addEventListener("dblclick", () => this.zoom("all"));
      }
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
    async draw(figure) {
      const id = figure.dataset.panel;
      if (this.panels.has(id)) return;
      this.panels.set(id, null);
      const element = figure.querySelector(".plot");
      try {
        const panel = id === "load" ? this.loadPanel(element) : this.tracePanel(element, this.packet.panels.find(p => p.id === id));
        this.panels.set(id, panel);
        await Plots.show(panel);
      } catch (error) {
        this.panels.delete(id);
        element.textContent = "This plot could not be drawn by this browser.";
        console.error(error);
      }
    }

    tracePanel(element, spec) {
      const mine = this.packet.marks.filter(m => m.panel === spec.id);
      const levels = this.levelsOf(spec);
      element.closest("figure").classList.toggle("narrow", Plots.narrow(element));
      const y = this.heights(spec, levels.filter(l => !l.unlined));
      const panel = Plots.frame(element, { x: this.range, y, zoom: true, right: this.margin(element) });
      panel.bands = spec.bands.map(b => Plots.drawBand(panel, b));
      panel.marks = mine.map((m, i) => Plots.drawMark(panel, m, i % 4, y[1]));
      panel.lines = spec.series.map((name, i) => {
        const series = this.series.get(name);
        return { series, data: Plots.drawLine(panel, Numbers.line(series, this.mode), i), crosses: this.crosses(panel, series, i) };
      });
      Plots.drawLevels(panel, levels);
      panel.cursor = Plots.drawCursor(panel);
      this.place(panel);
      panel.plot.on_event("mousemove", e => this.point(e.x));
      panel.plot.on_event("tap", e => this.point(e.x));
      const range = panel.plot.x_range;
      const follow = () => { if (!this.syncing) this.look(range.start, range.end); };
      range.properties.start.change.connect(follow);
      range.properties.end.change.connect(follow);
      return panel;
    }

    crosses(panel, series, index) {
      if (!series.rejected.length) return null;
      return Plots.drawPoints(panel, this.crossData(series), "x", index, 7);
    }

    crossData(series) {
      return { x: series.rejected.map(r => series.gridOf.x(r[0], this.mode)), y: series.rejected.map(r => r[1]) };
    }

    // All levels of a panel: its own lines, the limits of what is marked in it, the middle of its bands.
    levelsOf(spec) {
      const bands = spec.bands.map(b => ({ y: (b.low + b.high) / 2, text: b.level, unlined: true }));
      return [...spec.lines, ...this.limitsOf(this.packet.marks.filter(m => m.panel === spec.id)), ...bands];
    }

    // Room at the right for the longest text of all panels, so that their axes stand under each other.
    margin(element) {
      const levels = this.packet.panels.flatMap(spec => this.levelsOf(spec));
      return levels.length ? Plots.widthOf(levels.map(l => Plots.beside(l, element))) + 10 : 0;
    }

    limitsOf(marks) {
      const seen = new Map();
      for (const m of marks) for (const l of m.limits) seen.set(`${l.text}|${l.y.toFixed(3)}`, { ...l, role: "limit" });
      return [...seen.values()];
    }

    heights(spec, levels) {
      let low = Infinity, high = -Infinity;
      const take = v => { if (v < low) low = v; if (v > high) high = v; };
      const inside = this.spans(spec);
      for (const name of spec.series) {
        const s = this.series.get(name), within = t => inside.some(([g, a, b]) => g === s.gridOf && t >= a && t <= b);
        s.v.forEach((v, i) => { if (within(s.t[i])) take(v); });
        s.rejected.forEach(([t, v]) => { if (within(t)) take(v); });
      }
      if (low > high) for (const name of spec.series) this.series.get(name).v.forEach(take);
      const span = high - low || Math.abs(high) || 1;
      for (const level of levels) if (level.y > low - span && level.y < high + span) take(level.y);
      for (const b of spec.bands) { take(b.low); take(b.high); }
      if (spec.unit === "%" && low > 0) take(0);
      const room = Math.max(high - low, Math.abs(high) * 0.02, 1e-3);
      return [low - room * 0.1, high + room * 0.16];
    }

    // What must be in sight up and down: the pulls themselves, and what is marked; what leads in and out may leave the frame.
    spans(spec) {
      const marks = this.packet.marks.filter(m => m.panel === spec.id).map(m => [this.grids[0], m.start, m.end]);
      return [...this.grids.map(g => [g, g.start, g.end]), ...marks];
    }

    loadPanel(element) {
      const load = this.packet.load;
      const lows = [...load.y, ...load.limits.map(l => l.y)], span = Math.max(...lows) - Math.min(...lows) || 0.1;
      const top = Math.max(...load.x), y = [Math.min(...lows) - span * 0.12, Math.max(...lows) + span * 0.14];
      const levels = load.limits.map(l => ({ ...l, unlined: true }));
      const panel = Plots.frame(element, { x: [0, top * 1.04], y, zoom: false, right: Plots.widthOf(levels.map(l => l.text)) + 10 });
      Plots.drawPoints(panel, { x: load.x, y: load.y }, "circle", 0, 5);
      for (const limit of levels) Plots.drawLine(panel, { x: [limit.x, limit.x, top * 1.04], y: [y[1], limit.y, limit.y] }, 1);
      Plots.drawLevels({ ...panel, whole: true }, levels);
      return panel;
    }

    // Where bands and marks lie on the axis that is shown.
    place(panel) {
      const g = this.grids[0];
      for (const { box, band } of panel.bands || []) {
        box.left = g.xClamped(band.start, this.mode); box.right = g.xClamped(band.end, this.mode);
      }
      const [from, to] = this.range, width = panel.element.clientWidth - 54 - panel.plot.min_border_right, pixel = (to - from) / Math.max(width, 100);
      for (const { box, label, mark } of panel.marks || []) {
        const least = (this.extent[1] - this.extent[0]) * 0.004, said = (label.text.length * 7.5 + 8) * pixel;
        let left = g.xClamped(mark.start, this.mode), right = g.xClamped(mark.end, this.mode);
        if (right - left < least) { const mid = (left + right) / 2; left = mid - least / 2; right = mid + least / 2; }
        box.left = left; box.right = right;
        // inside a mark that is wide enough, else beside it, on the side where there is room
        const inside = Math.min(right, to) - Math.max(left, from) > said, late = !inside && right + said > to;
        label.x = inside ? Math.max(left, from) : late ? left : right;
        label.text_align = late ? "right" : "left"; label.x_offset = late ? -3 : 3;
      }
    }

    drawn() { return [...this.panels.entries()].filter(([id, p]) => p && id !== "load").map(([, p]) => p); }

    // --- moving --------------------------------------------------------------------------
    across(mode) {
      this.mode = mode; this.extent = this.whole();
      for (const panel of this.drawn()) {
        for (const l of panel.lines) { l.data.data = Numbers.line(l.series, mode); if (l.crosses) l.crosses.data = this.crossData(l.series); }
        panel.cursor.visible = false;
      }
      this.section.dataset.across = mode;
      for (const p of this.section.querySelectorAll("p.across[data-time]")) p.textContent = mode === "rpm" ? "engine speed, rpm" : p.dataset.time;
      this.look(...this.extent);
      this.said("");
    }

    look(start, end) {
      const [low, high] = this.extent, least = LEAST[this.mode];
      let a = Math.max(Math.min(start, end), low), b = Math.min(Math.max(start, end), high);
      if (b - a < least) { const mid = (a + b) / 2; a = mid - least / 2; b = mid + least / 2; }
      this.range = [a, b];
      this.syncing = true;
      for (const panel of this.drawn()) { panel.plot.x_range.setv({ start: a, end: b }); this.place(panel); }
      this.syncing = false;
      this.section.dataset.from = a.toFixed(3); this.section.dataset.to = b.toFixed(3);
    }

    zoom(what) {
      const [a, b] = this.range, mid = Number.isFinite(this.x) && this.x > a && this.x < b ? this.x : (a + b) / 2, factor = what === "in" ? 0.5 : 2;
      if (what === "all") this.look(...this.extent);
      else this.look(mid - (mid - a) * factor, mid + (b - mid) * factor);
    }

    point(x) {
      if (!Number.isFinite(x)) return;
      this.x = x;
      for (const panel of this.drawn()) { panel.cursor.location = x; panel.cursor.visible = true; }
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
      const [a, b] = this.range, step = (b - a) / (event.shiftKey ? 10 : 80);
      const from = Number.isFinite(this.x) && this.x >= a && this.x <= b ? this.x : (a + b) / 2;
      const does = { ArrowLeft: () => this.point(from - step), ArrowRight: () => this.point(from + step),
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
      this.point((start + end) / 2);
    }

    redraw() {
      const ids = [...this.panels.keys()];
      this.panels.clear();
      for (const id of ids) this.draw(this.section.querySelector(`figure[data-panel="${id}"]`));
    }
  }

  // --- the page ------------------------------------------------------------------------------
  const dark = matchMedia("(prefers-color-scheme: dark)");
  const theme = () => document.documentElement.classList.toggle("drawn-dark", dark.matches);
  const seen = new IntersectionObserver(entries => {
    for (const e of entries) if (e.isIntersecting) { seen.unobserve(e.target); groupOf(e.target).draw(e.target); }
  }, { rootMargin: "600px" });

  function groupOf(node) { return groups.get(node.closest(".traces")); }

  function begin(section) {
    const packet = JSON.parse(document.getElementById(section.dataset.packet).textContent);
    groups.set(section, new Group(section, packet));
    section.querySelectorAll("figure.panel").forEach(f => seen.observe(f));
  }

  async function fetchLate(place) {
    if (place.dataset.begun) return;
    place.dataset.begun = "yes";
    try {
      const answer = await fetch(place.dataset.source);
      if (!answer.ok) throw new Error(String(answer.status));
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      place.replaceChildren(...page.body.children);
      place.querySelectorAll(".traces").forEach(begin);
      place.dispatchEvent(new Event("arrived", { bubbles: true }));
      follow();
      setTimeout(drawRest, 0);
    } catch (error) {
      place.textContent = "This part could not be fetched. Load the page again.";
    }
  }

  function follow() {
    const item = location.hash.startsWith("#mark-") && document.getElementById(location.hash.slice(1));
    if (!item) {
      if (location.hash.startsWith("#mark-")) document.querySelectorAll(".late[data-source]").forEach(fetchLate);
      return;
    }
    for (let d = item.closest("details"); d; d = d.parentElement.closest("details")) d.open = true;
    const group = groupOf(item), figure = item.closest("figure");
    group.draw(figure).then(() => {
      group.goTo(item);
      figure.scrollIntoView({ block: "center" });
      item.focus({ preventScroll: true });
    });
  }

  // Drawn one after the other while nothing else is to do, so that a printed page has all of them.
  function drawRest() {
    const next = [...document.querySelectorAll(".traces figure.panel")].find(f => f.offsetParent && groupOf(f) && !groupOf(f).panels.has(f.dataset.panel));
    if (next) groupOf(next).draw(next).then(() => setTimeout(drawRest, 30));
    else document.documentElement.dataset.drawn = "all";
  }

  function fitToPaper(on) {
    for (const plot of document.querySelectorAll(".plot.ready")) plot.style.zoom = on ? Math.min(1, 700 / plot.offsetWidth) : "";
  }

  Bokeh.set_log_level("error");
  theme();
  document.querySelectorAll(".traces").forEach(begin);
  const late = new IntersectionObserver(entries => {
    for (const e of entries) if (e.isIntersecting) { late.unobserve(e.target); fetchLate(e.target); }
  }, { rootMargin: "900px" });
  document.querySelectorAll(".late[data-source]").forEach(p => late.observe(p));
  window.addEventListener("hashchange", follow);
  document.addEventListener("click", e => { const a = e.target.closest && e.target.closest("a.tomark"); if (a && a.hash === location.hash) follow(); });
  window.addEventListener("beforeprint", () => fitToPaper(true));
  window.addEventListener("afterprint", () => fitToPaper(false));
  document.addEventListener("toggle", e => { if (e.target.open) setTimeout(drawRest, 0); }, true);
  dark.addEventListener("change", () => { theme(); groups.forEach(g => g.redraw()); });
  follow();
  setTimeout(drawRest, 300);
})();
