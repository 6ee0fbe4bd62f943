// One pair of axes as SVG: layers in, elements out. Colours and dashes are classes of the style sheet, so that they
// follow light, dark and paper without being drawn again.
"use strict";
const Plots = (() => {
  const NS = "http://www.w3.org/2000/svg";
  const LEFT = 54, TOP = 6, BOTTOM = 24, TEXT = 12;
  const coarse = matchMedia("(pointer: coarse)");
  const pen = document.createElement("canvas").getContext("2d");
  const panels = new Set();
  let font = "";
  let paper = 0; // width in pixels while printing, 0 on a screen

  function put(parent, name, values, text) {
    const made = document.createElementNS(NS, name);
    for (const [key, value] of Object.entries(values || {})) made.setAttribute(key, value);
    if (text !== undefined) made.textContent = text;
    parent.append(made);
    return made;
  }

  // Width in pixels of the longest of some texts as the axes write them.
  function widthOf(texts) {
    font = font || `${TEXT}px ${getComputedStyle(document.documentElement).getPropertyValue("--sans")}`;
    pen.font = font;
    return Math.max(0, ...texts.map(t => pen.measureText(t).width));
  }

  const part = element => element.closest(".small") ? 0.32 : element.closest(".decide.pictured") ? 0.48 : 1;
  const widthNow = element => paper ? paper * part(element) : element.clientWidth || 640;
  const heightNow = element => paper ? (element.classList.contains("tall") ? 190 : element.closest(".small") ? 96 : 120) : element.clientHeight || 170;
  const narrow = element => widthNow(element) < 560;

  // A level's text beside its plot: all of it, or its figure alone where the plot is narrow (the words then stand below).
  const beside = (text, small) => small ? (text.match(/-?\d[\d.]*/) || [text])[0] : text;

  // Round figures from low to high, about `count` of them.
  function ticks(low, high, count) {
    const raw = (high - low) / Math.max(count, 1), power = 10 ** Math.floor(Math.log10(raw));
    const step = power * ([1, 2, 5, 10].find(f => f * power >= raw * 0.999) || 10);
    const digits = Math.max(0, -Math.floor(Math.log10(step) + 1e-9)), out = [];
    for (let k = Math.ceil(low / step - 1e-9); k * step <= high + step * 1e-9; k++) out.push([k * step, (k * step).toFixed(digits).replace(/^-(0\.?0*)$/, "$1")]);
    return out;
  }

  // Rising places moved so that neighbours lie a gap apart, none beyond the last place.
  function apart(places, gap, last) {
    const at = [...places], end = at.length - 1;
    for (let i = 1; i <= end; i++) at[i] = Math.max(at[i], at[i - 1] + gap);
    at[end] = Math.min(at[end], last);
    for (let i = end - 1; i >= 0; i--) at[i] = Math.min(at[i], at[i + 1] - gap);
    return at;
  }

  // A panel keeps its layers as numbers and draws itself into its element, again whenever its range or width changes.
  class Panel {
    // y: [low, high]; layers: see draw; zoom: called with a range that was dragged; point: with the place pointed at.
    // margin: the room at the right where panels share it.
    constructor(element, { x, y, layers, tick = null, zoom = null, point = null, margin = null }) {
      Object.assign(this, { element, x, y, layers, names: tick, zoom, point, margin, cursor: NaN, width: 0 });
      panels.add(this);
      resized.observe(element);
      this.draw();
    }

    levels() { return this.layers.filter(l => (l.kind === "level" || l.kind === "step") && l.text); }

    right(small) {
      if (this.margin) return this.margin(small);
      const texts = this.levels().map(l => beside(l.text, small));
      return texts.length ? widthOf(texts) + 10 : 12;
    }

    px(x) { return LEFT + (x - this.x[0]) / (this.x[1] - this.x[0]) * this.inner; }
    py(y) { return TOP + (this.y[1] - y) / (this.y[1] - this.y[0]) * this.tall; }
    back(pixel) { return this.x[0] + (pixel - LEFT) / this.inner * (this.x[1] - this.x[0]); }

    draw() {
      const { element } = this, small = narrow(element);
      this.width = widthNow(element);
      this.height = heightNow(element);
      this.inner = Math.max(this.width - LEFT - this.right(small), 60);
      this.tall = this.height - TOP - BOTTOM;
      const svg = document.createElementNS(NS, "svg");
      for (const [k, v] of Object.entries({ class: "drawing", viewBox: `0 0 ${this.width} ${this.height}`, width: this.width, height: this.height, focusable: "false" })) svg.setAttribute(k, v);
      const clip = `clip-${Panel.count = (Panel.count || 0) + 1}`, defs = put(svg, "defs");
      put(put(defs, "clipPath", { id: clip }), "rect", { x: LEFT, y: TOP, width: this.inner, height: this.tall });
      const hatch = this.layers.some(l => l.kind === "mark") && put(defs, "pattern", { id: `${clip}-hatch`, width: 7, height: 7, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" });
      if (hatch) put(hatch, "line", { x1: 0, y1: 0, x2: 0, y2: 7, class: "hatch" });
      this.axes(svg, small);
      const inside = put(svg, "g", { "clip-path": `url(#${clip})` }), over = put(svg, "g", {});
      let marks = 0, uprights = 0;
      const together = new Map(); // on paper the lines of many pulls: one path a colour
      for (const layer of this.layers) {
        if (layer.kind === "band") this.band(inside, layer);
        else if (layer.kind === "area") this.area(inside, layer);
        else if (layer.kind === "mark") this.mark(inside, layer, `url(#${clip}-hatch)`, marks++);
        else if (layer.kind === "line" && paper && /^many/.test(layer.role)) together.set(layer.role, (together.get(layer.role) || "") + this.path(layer.x, layer.y));
        else if (layer.kind === "line") this.line(inside, layer);
        else if (layer.kind === "points") this.points(inside, layer);
        else if (layer.kind === "level") put(inside, "line", { x1: LEFT, x2: LEFT + this.inner, y1: this.py(layer.y), y2: this.py(layer.y), class: `level ${layer.role || "limit"}` });
        else if (layer.kind === "upright") this.upright(inside, layer, uprights++);
      }
      for (const [role, d] of together) put(inside, "path", { d, class: `line ${role}` });
      this.words(over, small);
      if (!paper) {
        this.needle = put(inside, "line", { y1: TOP, y2: TOP + this.tall, class: "cursor" });
        this.pull = put(inside, "rect", { y: TOP, height: this.tall, width: 0, class: "drag" });
        this.moved();
        this.listen(svg);
      }
      element.replaceChildren(svg);
      element.classList.add("ready");
    }

    axes(svg, small) {
      const bottom = TOP + this.tall;
      for (const [y, text] of ticks(this.y[0], this.y[1], this.height > 240 ? 6 : 4)) {
        put(svg, "line", { x1: LEFT, x2: LEFT + this.inner, y1: this.py(y), y2: this.py(y), class: "grid" });
        put(svg, "text", { x: LEFT - 6, y: this.py(y) + 4, "text-anchor": "end" }, text);
      }
      const across = this.names ? Object.entries(this.names).map(([k, v]) => [Number(k), v]) : ticks(this.x[0], this.x[1], small ? 4 : 8);
      const held = (x, text) => this.names ? Math.min(this.px(x), this.width - widthOf([text]) / 2) : this.px(x); // a name is never cut
      for (const [x, text] of across) {
        put(svg, "line", { x1: this.px(x), x2: this.px(x), y1: bottom, y2: bottom + 4, class: "axis" });
        put(svg, "text", { x: held(x, text), y: bottom + 17, "text-anchor": "middle" }, text);
      }
      put(svg, "path", { d: `M${LEFT} ${TOP}V${bottom}H${LEFT + this.inner}`, class: "axis" });
    }

    // Points of a line in sight, and one beyond on each side; broken where a number is missing.
    path(xs, ys) {
      let out = "", pen = false;
      const [from, to] = this.x, f = v => Math.round(v * 10) / 10;
      for (let i = 0; i < xs.length; i++) {
        const x = xs[i], y = ys[i];
        const hidden = (x < from && !(xs[i + 1] >= from)) || (x > to && !(xs[i - 1] <= to));
        if (hidden || !Number.isFinite(x) || !Number.isFinite(y)) { pen = false; continue; }
        out += `${pen ? "L" : "M"}${f(this.px(x))} ${f(this.py(y))}`;
        pen = true;
      }
      return out;
    }

    line(parent, l) { put(parent, "path", { d: this.path(l.x, l.y), class: `line ${l.role || `s${(l.style || 0) % 5}`}` }); }

    points(parent, l) {
      const r = l.size || 3, shapes = {
        cross: (x, y) => `M${x - r} ${y - r}l${2 * r} ${2 * r}m0 ${-2 * r}l${-2 * r} ${2 * r}`,
        circle: (x, y) => `M${x - r} ${y}a${r} ${r} 0 1 0 ${2 * r} 0a${r} ${r} 0 1 0 ${-2 * r} 0`,
        square: (x, y) => `M${x - r} ${y - r}h${2 * r}v${2 * r}h${-2 * r}z`,
        diamond: (x, y) => `M${x} ${y - r * 1.3}l${r * 1.3} ${r * 1.3}l${-r * 1.3} ${r * 1.3}l${-r * 1.3} ${-r * 1.3}z` };
      let d = "";
      for (let i = 0; i < l.x.length; i++) {
        if (!Number.isFinite(l.x[i]) || !Number.isFinite(l.y[i]) || l.x[i] < this.x[0] || l.x[i] > this.x[1]) continue;
        const y = l.pinned ? Math.min(Math.max(this.py(l.y[i]), TOP + r), TOP + this.tall - r) : this.py(l.y[i]);
        d += shapes[l.shape || "circle"](Math.round(this.px(l.x[i]) * 10) / 10, Math.round(y * 10) / 10);
      }
      put(parent, "path", { d, class: `points ${l.role || `s${(l.style || 0) % 5}`}` });
    }

    band(parent, b) {
      const left = this.px(Math.max(b.left, this.x[0])), right = this.px(Math.min(b.right, this.x[1]));
      put(parent, "rect", { x: left, y: this.py(b.high), width: Math.max(right - left, 0), height: this.py(b.low) - this.py(b.high), class: "band" });
    }

    area(parent, a) {
      const there = a.x.map((x, i) => [x, a.low[i], a.high[i]]).filter(p => p.every(Number.isFinite));
      const up = there.map(([x, , y]) => `${this.px(x)} ${this.py(y)}`), down = there.reverse().map(([x, y]) => `${this.px(x)} ${this.py(y)}`);
      put(parent, "path", { d: `M${[...up, ...down].join("L")}z`, class: "area" });
    }

    // A mark is as long as what it marks; where that is less than a hair it is a line.
    mark(parent, m, hatch, slot) {
      let left = this.px(m.left), right = this.px(m.right);
      if (right - left < 2) { const mid = (left + right) / 2; left = mid - 1; right = mid + 1; }
      put(parent, "rect", { x: left, y: TOP, width: right - left, height: this.tall, class: "mark" });
      put(parent, "rect", { x: left, y: TOP, width: right - left, height: this.tall, fill: hatch });
      if (!m.text) return;
      // inside a mark that is wide enough, else beside it, on the side where there is room
      const wide = widthOf([m.text]) + 10, from = Math.max(left, LEFT), to = Math.min(right, LEFT + this.inner);
      const inside = to - from > wide, late = !inside && right + wide > LEFT + this.inner;
      put(parent, "text", { x: inside ? from + 3 : late ? left - 4 : right + 4, y: TOP + 13 + 16 * (slot % 4), "text-anchor": late ? "end" : "start", class: "said strong" }, m.text);
    }

    // An upright line with its text beside it, cut to the room there is; neighbours' texts stand at different heights.
    upright(parent, u, slot) {
      const at = this.px(u.x), late = at - LEFT > this.inner * 0.5, room = (late ? at - LEFT : LEFT + this.inner - at) - 6;
      let said = u.text;
      while (said.length > 4 && widthOf([said]) > room) said = `${said.replace(/…$/, "").slice(0, -1).trimEnd()}…`;
      put(parent, "line", { x1: at, x2: at, y1: TOP, y2: TOP + this.tall, class: "upright" });
      put(parent, "text", { x: late ? at - 4 : at + 4, y: TOP + 12 + 15 * (slot % 3), "text-anchor": late ? "end" : "start", class: "said" }, said);
    }

    // What levels say, outside the frame at the right, so that no word lies on a trace.
    words(parent, small) {
      const [low, high] = this.y, said = this.levels().filter(l => l.y >= low && l.y <= high).sort((a, b) => b.y - a.y);
      if (!said.length) return;
      const at = apart(said.map(l => this.py(l.y)), 14, TOP + this.tall);
      said.forEach((l, i) => put(parent, "text", { x: LEFT + this.inner + 6, y: at[i] + 4, class: `aside ${l.role || "limit"}` }, beside(l.text, small)));
    }

    moved() {
      const seen = Number.isFinite(this.cursor) && this.cursor >= this.x[0] && this.cursor <= this.x[1];
      this.needle.setAttribute("visibility", seen ? "visible" : "hidden");
      if (seen) { this.needle.setAttribute("x1", this.px(this.cursor)); this.needle.setAttribute("x2", this.px(this.cursor)); }
    }

    listen(svg) {
      const at = e => { const box = svg.getBoundingClientRect(); return (e.clientX - box.left) * this.width / box.width; };
      const held = pixel => Math.min(Math.max(pixel, LEFT), LEFT + this.inner);
      let from = NaN;
      if (this.point) {
        svg.addEventListener("pointermove", e => {
          const pixel = at(e);
          if (Number.isFinite(from)) { const [a, b] = [from, held(pixel)].sort((p, q) => p - q); this.pull.setAttribute("x", a); this.pull.setAttribute("width", b - a); }
          if (pixel >= LEFT && pixel <= LEFT + this.inner) this.point(this.back(pixel));
        });
        svg.addEventListener("click", e => this.point(this.back(held(at(e)))));
      }
      if (!this.zoom || coarse.matches) return;
      svg.addEventListener("pointerdown", e => { if (e.button === 0 && e.pointerType !== "touch") { from = held(at(e)); svg.setPointerCapture(e.pointerId); e.preventDefault(); } });
      svg.addEventListener("pointerup", e => {
        const to = held(at(e)), start = from;
        from = NaN; this.pull.setAttribute("width", 0);
        if (Number.isFinite(start) && Math.abs(to - start) > 8) this.zoom(...[this.back(start), this.back(to)].sort((p, q) => p - q));
      });
      svg.addEventListener("pointercancel", () => { from = NaN; this.pull.setAttribute("width", 0); });
    }
  }

  const resized = new ResizeObserver(entries => {
    if (paper) return;
    for (const panel of panels) if (entries.some(e => e.target === panel.element) && panel.element.clientWidth && panel.element.clientWidth !== panel.width) panel.draw();
  });

  // While printing every panel has the width of the paper; 0 goes back to its own.
  function onPaper(width) {
    paper = width;
    for (const panel of panels) if (!panel.element.closest("details:not([open])")) panel.draw();
  }

  // The sample of a line that a key shows.
  function swatch(place) {
    const svg = put(place, "svg", { viewBox: "0 0 28 8", "aria-hidden": "true", focusable: "false" });
    put(svg, "line", { x1: 0, x2: 28, y1: 4, y2: 4, class: `line ${place.className.replace("swatch", "").trim()}` });
  }

  return { Panel, swatch, heightNow, widthOf, beside, onPaper, panels };
})();
