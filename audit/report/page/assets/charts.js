// Charts that are no traces: layers from the page, drawn when they are reached.
"use strict";
const Charts = (() => {
  const drawn = new Set();

  // least: how far apart the lowest and the highest place on the axis are at least
  function extent(layers, height, least) {
    const xs = [], ys = [];
    for (const l of layers) {
      if (Array.isArray(l.x)) xs.push(...l.x);
      if (l.kind === "upright") xs.push(l.x);
      for (const list of [l.kind === "level" ? [l.y] : l.y, l.low, l.high]) if (Array.isArray(list)) ys.push(...list);
    }
    const of = list => list.filter(Number.isFinite);
    const [x0, x1, low, high] = [Math.min(...of(xs)), Math.max(...of(xs)), Math.min(...of(ys)), Math.max(...of(ys))];
    const more = Math.max(0, least - (high - low)) / 2, y0 = low - more, y1 = high + more;
    const px = (x1 - x0 || 1) * 0.03, py = (y1 - y0 || Math.abs(y1) * 0.1 || 1) * 0.14;
    // a strip at the top for what the upright lines say, so that no word lies on a point
    const rows = Math.min(layers.filter(l => l.kind === "upright").length, 3), strip = rows * 15 / Math.max(height - 32 - rows * 15, 40) * (y1 - y0 + 2 * py);
    return { x: [x0 - px, x1 + px], y: [y0 - py, y1 + py + strip] };
  }

  function draw(figure) {
    if (drawn.has(figure)) return;
    drawn.add(figure);
    const spec = JSON.parse(figure.querySelector("script[type='application/json']").textContent);
    const element = figure.querySelector(".plot");
    const shape = ["circle", "square", "diamond"];
    const layers = spec.layers.map(l => l.kind === "points" && !l.shape ? { ...l, shape: shape[l.style] || "circle", size: 3.5 } : l);
    const tick = Object.keys(spec.ticks).length ? spec.ticks : null;
    const { x, y } = extent(layers, Plots.heightNow(element), spec.least || 0);
    new Plots.Panel(element, { x: spec.from !== undefined ? [spec.from, spec.to] : x, y, layers, tick });
  }

  return { draw };
})();
