// Charts of nights and of duty: layers from the page, drawn when they are reached. Drag and drop of logs.
"use strict";
(() => {
  const drawn = new Set();

  function extent(layers, height) {
    const xs = [], ys = [];
    for (const l of layers) {
      if (l.x && l.x.length) xs.push(...l.x);
      for (const list of [l.kind === "level" ? [l.y] : l.y, l.low, l.high]) if (list) ys.push(...list);
    }
    const [x0, x1, y0, y1] = [Math.min(...xs), Math.max(...xs), Math.min(...ys), Math.max(...ys)];
    const px = (x1 - x0 || 1) * 0.03, py = (y1 - y0 || Math.abs(y1) * 0.1 || 1) * 0.14;
    // a strip at the top for what the upright lines say, so that no word lies on a point
    const rows = Math.min(layers.filter(l => l.kind === "upright").length, 3), strip = rows * 15 / Math.max(height - 32 - rows * 15, 40) * (y1 - y0 + 2 * py);
    return { x: [x0 - px, x1 + px], y: [y0 - py, y1 + py + strip] };
  }

  async function draw(figure) {
    if (drawn.has(figure)) return;
    drawn.add(figure);
    const spec = JSON.parse(figure.querySelector("script[type='application/json']").textContent);
    const element = figure.querySelector(".plot"), levels = spec.layers.filter(l => l.kind === "level");
    const panel = Plots.frame(element, { ...extent(spec.layers, element.clientHeight), zoom: false, right: Plots.widthOf(levels.map(l => Plots.beside(l, element))) + 10 });
    figure.classList.toggle("narrow", Plots.narrow(element));
    const model = (name, values) => new (Bokeh.Models.get(name))(values);
    let upright = 0;
    for (const l of spec.layers) {
      if (l.kind === "area") panel.plot.add_glyph(model("VArea", { x: { field: "x" }, y1: { field: "low" }, y2: { field: "high" }, fill_color: panel.of("band"), fill_alpha: 0.16 }),
        model("ColumnDataSource", { data: { x: l.x, low: l.low, high: l.high } }));
      if (l.kind === "line") Plots.drawLine(panel, { x: l.x, y: l.y }, l.style);
      if (l.kind === "points") Plots.drawPoints(panel, { x: l.x, y: l.y }, l.style === 0 ? "circle" : l.style === 1 ? "square" : "diamond", l.style, 6);
      if (l.kind === "upright") Plots.drawUpright(panel, l, upright++);
    }
    Plots.drawLevels(panel, levels);
    if (Object.keys(spec.ticks).length) Plots.nameTicks(panel, spec.ticks);
    await Plots.show(panel);
  }

  const seen = new IntersectionObserver(entries => {
    for (const e of entries) if (e.isIntersecting) { seen.unobserve(e.target); draw(e.target).catch(console.error); }
  }, { rootMargin: "500px" });
  const begin = root => root.querySelectorAll("figure.chart").forEach(p => seen.observe(p));
  begin(document);
  document.addEventListener("arrived", e => begin(e.target));
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { const again = [...drawn]; drawn.clear(); again.forEach(draw); });

  const form = document.querySelector("form.drop");
  if (form) {
    const input = form.querySelector("input[type=file]"), most = Number(form.dataset.mostBytes), said = form.querySelector("[role=status]");
    const check = () => {
      const size = [...input.files].reduce((sum, f) => sum + f.size, 0);
      const much = size > most;
      said.textContent = much ? `${(size / 1e6).toFixed(0)} MB is too much for one upload; ${(most / 1e6).toFixed(0)} MB at most.` :
        input.files.length ? `${input.files.length} file${input.files.length === 1 ? "" : "s"} chosen.` : "";
      return !much && input.files.length > 0;
    };
    input.addEventListener("change", check);
    form.addEventListener("submit", e => { if (!check()) { e.preventDefault(); if (!said.textContent) said.textContent = "Choose one or more logs first."; } else said.textContent = "Screening…"; });
    form.addEventListener("dragover", e => { e.preventDefault(); form.classList.add("over"); });
    form.addEventListener("dragleave", () => form.classList.remove("over"));
    form.addEventListener("drop", e => { e.preventDefault(); form.classList.remove("over"); input.files = e.dataTransfer.files; if (check()) form.requestSubmit(); });
  }
})();
