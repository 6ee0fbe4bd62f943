// What stands around the plots of a pull or of several: controls, a figure a panel with its key, its words, its marks.
"use strict";
const Figures = (() => {
  // An element with its attributes (text: its text) and children; strings become text.
  function el(tag, attributes, ...children) {
    const made = document.createElement(tag);
    for (const [name, value] of Object.entries(attributes || {})) if (value !== false && value !== undefined) made.setAttribute(name, value);
    made.append(...children.flat().filter(c => c !== null && c !== ""));
    return made;
  }

  const words = n => n ? ` ${n}` : "";

  function key(group, panel) {
    const all = () => el("span", { class: "key" }, panel.series.map((name, i) => {
      const s = group.series.get(name), swatch = el("i", { class: `swatch ${s.role || `s${i % 5}`}` });
      Plots.swatch(swatch);
      return el("span", { class: "entry" }, swatch, ` ${s.label} `, el("output", { "data-series": name }));
    }));
    if (panel.series.length <= 10) return all();
    const fold = el("details", { class: "manykey" }, el("summary", {}, `${panel.series.length} lines`));
    fold.addEventListener("toggle", () => fold.append(all()), { once: true });
    return fold;
  }

  // What a panel's lines show inside the pulls, for who does not see them.
  function told(group, panel) {
    if (group.grids.length > 2) return `${panel.series.length} lines; their figures stand in the table of differences.`;
    const said = [];
    for (const name of panel.series) {
      const s = group.series.get(name), g = s.gridOf;
      const at = s.t.map((t, i) => i).filter(i => s.t[i] >= g.start && s.t[i] <= g.end);
      if (!at.length || s.role === "lean hold") continue;
      const f = i => s.v[i].toFixed(s.digits), when = i => `${(s.t[i] - (group.packet.grids[s.grid || 0].shift || 0)).toFixed(1)} s`;
      const low = at.reduce((a, b) => s.v[b] < s.v[a] ? b : a), high = at.reduce((a, b) => s.v[b] > s.v[a] ? b : a);
      said.push(f(low) === f(high) ? `${s.label} stays at ${f(high)}${words(s.unit)}` :
        `${s.label} begins at ${f(at[0])}, is lowest with ${f(low)} at ${when(low)} and highest with ${f(high)} at ${when(high)}, ends at ${f(at[at.length - 1])}${words(s.unit)}`);
    }
    return said.length ? `In the pull: ${said.join("; ")}.` : "No sample inside the pull.";
  }

  function mark(m) {
    const badge = el("a", { class: "badge", href: `#finding-${m.n}`, "aria-label": `Finding ${m.n}` }, String(m.n));
    return el("li", { id: `mark-${m.n}`, tabindex: "-1", "data-start": m.start, "data-end": m.end }, badge, ` ${m.text}, `,
      el("span", { "data-when": m.when, "data-rpm": m.rpm }, m.when));
  }

  function panel(group, p) {
    const { packet } = group, marks = packet.marks.filter(m => m.panel === p.id);
    const levels = [...new Set([...p.lines, ...marks.flatMap(m => m.limits)].map(l => l.text))];
    const said = (levels.length ? `Dashed lines: ${levels.join(", ")}.` : "") + p.bands.map(b => ` Shaded: ${b.text}.`).join("");
    const doubted = p.series.some(name => group.series.get(name).rejected.length);
    return el("figure", { class: "panel", id: `${packet.id}-${p.id}`, "data-panel": p.id, tabindex: "0", role: "group", "aria-label": p.title + (p.unit ? `, ${p.unit}` : "") },
      el("figcaption", {}, el("span", { class: "name" }, p.title, p.unit ? " " : "", p.unit ? el("span", { class: "quiet" }, p.unit) : ""), key(group, p)),
      el("div", { class: `plot${p.tall ? " tall" : ""}`, "aria-hidden": "true" }), el("p", { class: "across" }), el("p", { class: "aural" }, told(group, p)),
      doubted ? el("p", { class: "doubted-key quiet" }, "Grey crosses: samples that are there and not believed.") : "",
      said ? el("p", { class: "levels" }, said.trim()) : "", marks.length ? el("ol", { class: "marks" }, marks.map(mark)) : "");
  }

  function load(group) {
    const { load: l, id } = group.packet, from = l.limits.length ? l.limits[0].x[0] : 0, points = group.loadPoints();
    const held = points.y.filter((v, i) => points.x[i] >= from).sort((a, b) => a - b), f = v => v.toFixed(2);
    const said = held.length ? `From ${from.toFixed(1)} ${l.unit} boost on lambda lies between ${f(held[0])} and ${f(held[held.length - 1])}, in the middle at ${f(held[held.length >> 1])}.` :
      `No sample from ${from.toFixed(1)} ${l.unit} boost on, where the limits begin.`;
    const lines = l.limits.length ? ` Dashed, as they follow boost: ${from > 0 ? `from ${from.toFixed(1)} ${l.unit} on, ` : ""}a mixture that stays above a line is too lean.` : "";
    return el("figure", { class: "panel load", id: `${id}-load`, "data-panel": "load", tabindex: "0", role: "group", "aria-label": `Lambda against boost, with the lean limits ${l.limits.map(v => v.text).join(", ")}` },
      el("figcaption", {}, el("span", { class: "name" }, "Lambda by load"), " ", el("span", { class: "quiet" }, `Dots: lambda in this pull against its boost.${lines}`)),
      el("div", { class: "plot tall", "aria-hidden": "true" }), el("p", { class: "across" }, `boost, ${l.unit}`), el("p", { class: "aural" }, said));
  }

  function controls(packet) {
    const axis = (value, text) => el("label", {}, el("input", { type: "radio", name: `x-${packet.id}`, value, checked: packet.begin === value ? "" : false }), ` ${text}`);
    const button = (what, text) => el("button", { type: "button", "data-do": what }, text);
    return el("div", { class: "controls" }, el("fieldset", {}, el("legend", {}, "across"), axis("time", "time, s"), axis("rpm", "engine speed, rpm")),
      el("span", { class: "buttons" }, button("in", "zoom in"), button("out", "zoom out"), button("all", packet.grids.length > 1 ? "whole pulls" : "whole pull")),
      el("output", { class: "at", "aria-live": "polite" }), el("span", { class: "aural" }, "In a plot left and right move the cursor, plus and minus zoom, 0 shows the whole pull."));
  }

  // All of it, put before the section's numbers; panels that are seldom wanted wait until their fold is opened.
  function build(group) {
    const { packet, section } = group, marked = new Set(packet.marks.map(m => m.panel));
    const now = packet.panels.filter(p => p.always || marked.has(p.id)), later = packet.panels.filter(p => !now.includes(p));
    const parts = [controls(packet), ...now.map(p => panel(group, p))];
    if (group.loadPoints().x.length > 2) parts.push(load(group));
    if (later.length) {
      const fold = el("details", { class: "more" }, el("summary", {}, `More traces: ${later.map(p => p.title).join(", ").toLowerCase()}`));
      group.unfold = () => { if (fold.children.length < 2) { fold.append(el("div", { class: "small" }, later.map(p => panel(group, p)))); group.began(fold); } };
      fold.addEventListener("toggle", group.unfold);
      parts.push(fold);
    }
    if (packet.thinned) parts.push(el("p", { class: "quiet" }, `Drawn from ${packet.thinned[1]} samples, thinned to ${packet.thinned[0]}; peaks keep their height.`));
    section.prepend(...parts);
    section.classList.add("built");
  }

  return { build, el };
})();
