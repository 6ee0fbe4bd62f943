// Passing pulls on paper: a small cell each, all on the same axes, boost above and mixture below.
"use strict";
const Cells = (() => {
  const ACROSS = 4, WIDE = 172, CHARTS = 88, SPLIT = 48, ROOM = 8, MOST = 40, LINE = 5;
  const NS = "http://www.w3.org/2000/svg";

  function opened(packet) {
    const { start, end } = packet.grids[0], grid = { time: Numbers.unpackTime(packet.grids[0]), start, end }, out = { packet, length: end - start };
    for (const name of ["boost", "lambda"]) {
      const s = packet.series[name] && Numbers.openSeries(packet.series[name], grid);
      const inside = s ? s.t.map((t, i) => i).filter(i => s.t[i] >= grid.start && s.t[i] <= grid.end) : [];
      const every = Math.ceil(inside.length / MOST) || 1, at = inside.filter((v, k) => k % every === 0 || k === inside.length - 1);
      out[name] = at.map(i => [s.t[i] - grid.start, s.v[i]]);
      out.unit = out.unit || (name === "boost" && s ? s.unit : "");
    }
    out.lines = (packet.panels.find(p => p.id === "boost") || { lines: [] }).lines;
    return out;
  }

  const put = (parent, tag, values, text) => {
    const made = document.createElementNS(NS, tag);
    for (const [k, v] of Object.entries(values)) made.setAttribute(k, v);
    if (text) made.textContent = text;
    parent.append(made);
  };

  // The cells of some packets, put into a place; what was put. heads, figures: those of each pull in words, or none.
  function draw(place, pulls, heads, figures) {
    const TOP = 16 + 11 * Math.ceil(heads.length / LINE), HIGH = TOP + CHARTS, split = TOP + SPLIT;
    const ends = (list, least) => list.length ? [Math.min(...list, least), Math.max(...list)] : [0, 1];
    const long = Math.max(...pulls.map(p => p.length));
    const boost = ends(pulls.flatMap(p => [...p.boost.map(v => v[1]), ...p.lines.map(l => l.y)]), 0);
    const lam = ends(pulls.flatMap(p => p.lambda.map(v => v[1])), Infinity);
    const f = (v, digits) => v.toFixed(digits), unit = pulls.map(p => p.unit).find(Boolean) || "";
    const said = `Every passing pull over its own time, 0 to ${f(long, 1)} s, on the same axes. Above: boost, ${f(boost[0], 1)} to ${f(boost[1], 1)} ${unit}; short dashes the car's limit, long ones its target. Below: lambda, ${f(lam[0], 2)} to ${f(lam[1], 2)}.${heads.length ? ` Figures: ${heads.join("; ")}.` : ""}`;
    const out = [Figures.el("p", { class: "quiet" }, said)];
    for (let first = 0; first < pulls.length; first += ACROSS) {
      const svg = document.createElementNS(NS, "svg");
      for (const [k, v] of Object.entries({ class: "drawing cells", viewBox: `0 0 ${ACROSS * WIDE} ${HIGH}`, width: ACROSS * WIDE, height: HIGH, role: "img", "aria-label": pulls.slice(first, first + ACROSS).map(p => p.packet.label).join("; ") })) svg.setAttribute(k, v);
      const paths = { axis: "", "level limit": "", "level target": "", "line s0": "" };
      pulls.slice(first, first + ACROSS).forEach((p, i) => {
        const left = i * WIDE, right = left + WIDE - ROOM, x = t => left + t / long * (WIDE - ROOM);
        const up = (v, [low, high], top, bottom) => bottom - (v - low) / (high - low || 1) * (bottom - top);
        const path = (list, range, top, bottom) => list.map(([t, v], k) => `${k ? "L" : "M"}${f(x(t), 1)} ${f(up(v, range, top, bottom), 1)}`).join("");
        put(svg, "text", { x: left, y: 11, class: "aside" }, p.packet.label);
        for (let k = 0; k < heads.length; k += LINE) put(svg, "text", { x: left, y: 22 + 11 * k / LINE }, figures[first + i].slice(k, k + LINE).join("; "));
        paths.axis += `M${left} ${TOP}V${split}H${right}M${left} ${split + 6}V${HIGH - 2}H${right}`;
        for (const l of p.lines) paths[`level ${l.role}`] += `M${left} ${f(up(l.y, boost, TOP, split), 1)}H${right}`;
        paths["line s0"] += path(p.boost, boost, TOP, split) + path(p.lambda, lam, split + 6, HIGH - 2);
      });
      for (const [kind, d] of Object.entries(paths)) if (d) put(svg, "path", { class: kind, d });
      out.push(svg);
    }
    place.append(...out);
    return out;
  }

  return { put: (place, packets, heads, figures) => place && packets.length ? draw(place, packets.map(opened), heads, figures) : [] };
})();
