// One pair of axes, drawn by Bokeh from its models.
"use strict";
const Plots = (() => {
  const DASHES = [[], [7, 4], [2, 3], [9, 3, 2, 3], [12, 5]];
  const make = (name, values) => new (Bokeh.Models.get(name))(values || {});
  const coarse = matchMedia("(pointer: coarse)");

  function colours() {
    const style = getComputedStyle(document.documentElement);
    return name => style.getPropertyValue(`--${name}`).trim();
  }

  const narrow = element => element.clientWidth < 560;
  const pen = document.createElement("canvas").getContext("2d");

  // Width in pixels of the longest of some texts as the axes write them.
  function widthOf(texts) {
    pen.font = `12px ${colours()("sans")}`;
    return Math.max(0, ...texts.map(t => pen.measureText(t).width));
  }

  // A level's text beside its plot: all of it, or its figure alone where the plot is narrow (the words then stand below).
  const beside = (level, element) => narrow(element) ? (level.text.match(/-?\d[\d.]*/g) || [level.text]).pop() : level.text;

  function frame(element, { x, y, zoom, right = 0 }) {
    const of = colours(), text = { text_color: of("quiet"), text_font: of("sans"), text_font_size: "12px" };
    const prefixed = (prefix, values) => Object.fromEntries(Object.entries(values).map(([k, v]) => [`${prefix}_${k}`, v]));
    const plot = make("Plot", {
      x_range: make("Range1d", { start: x[0], end: x[1] }), y_range: make("Range1d", { start: y[0], end: y[1] }),
      x_scale: make("LinearScale"), y_scale: make("LinearScale"), toolbar_location: null,
      sizing_mode: "stretch_both", min_border_left: 54, min_border_right: Math.max(12, right), min_border_top: 6, min_border_bottom: 26,
      background_fill_color: of("paper"), border_fill_color: of("paper"), outline_line_color: null,
    });
    const axis = { axis_line_color: of("rule"), major_tick_line_color: of("rule"), minor_tick_line_color: null, ...prefixed("major_label", text) };
    const yTicks = make("BasicTicker", { desired_num_ticks: element.clientHeight > 240 ? 6 : 4 }), xTicks = make("BasicTicker", { desired_num_ticks: narrow(element) ? 5 : 8 });
    plot.add_layout(make("LinearAxis", { ticker: xTicks, ...axis }), "below");
    plot.add_layout(make("LinearAxis", { ticker: yTicks, ...axis }), "left");
    plot.add_layout(make("Grid", { dimension: 1, ticker: yTicks, grid_line_color: of("grid") }));
    if (zoom && !coarse.matches) {
      const overlay = make("BoxAnnotation", { visible: false, level: "overlay", left: NaN, right: NaN, top: NaN, bottom: NaN,
        fill_color: of("cursor"), fill_alpha: 0.15, line_color: of("cursor") });
      const box = make("BoxZoomTool", { dimensions: "width", overlay });
      plot.add_tools(box);
      plot.toolbar.active_drag = box;
    }
    return { plot, of, text, element };
  }

  async function show(panel) {
    const doc = new (Bokeh.require("document").Document)();
    doc.add_root(panel.plot);
    panel.element.replaceChildren();
    await Bokeh.embed.add_document_standalone(doc, panel.element);
    unfocus(panel.element);
    panel.element.classList.add("ready");
  }

  // Bokeh makes its drawing a stop of the Tab key; ours is the figure around it, which has the keys.
  function unfocus(node) {
    for (const child of node.querySelectorAll("*")) {
      if (child.tabIndex >= 0) child.tabIndex = -1;
      if (child.shadowRoot) unfocus(child.shadowRoot);
    }
  }

  const source = data => make("ColumnDataSource", { data });

  function drawLine({ plot, of }, data, index) {
    const columns = source(data);
    plot.add_glyph(make("Line", { x: { field: "x" }, y: { field: "y" }, line_color: of(`s${index % 5}`), line_width: 1.9,
      line_dash: DASHES[index % DASHES.length], line_join: "round" }), columns);
    return columns;
  }

  function drawPoints({ plot, of }, data, marker, index, size) {
    const columns = source(data);
    plot.add_glyph(make("Scatter", { x: { field: "x" }, y: { field: "y" }, marker: { value: marker }, size: { value: size },
      line_color: of(`s${index % 5}`), fill_color: of(`s${index % 5}`), fill_alpha: 0.35, line_width: 1.3 }), columns);
    return columns;
  }

  // Levels across the plot, each with its text outside the frame at the right, so that no word lies on a trace.
  function drawLevels({ plot, of, text, element, whole }, levels) {
    for (const level of levels) if (!level.unlined) {
      plot.add_layout(make("Span", { location: level.y, dimension: "width", line_color: level.role === "target" ? of("quiet") : of("limit"), line_width: 1.3, line_dash: [4, 3] }));
    }
    const [low, high] = [plot.y_range.start, plot.y_range.end];
    const said = levels.filter(l => l.y >= low && l.y <= high).sort((a, b) => a.y - b.y);
    if (!said.length) return;
    const at = apart(said.map(l => l.y), 14 * (high - low) / Math.max(element.clientHeight - 32, 60), high);
    plot.add_layout(make("LinearAxis", { ticker: make("FixedTicker", { ticks: at }), major_label_overrides: new Map(at.map((y, i) => [y, whole ? said[i].text : beside(said[i], element)])),
      axis_line_color: null, major_tick_line_color: null, minor_tick_line_color: null, major_label_standoff: 2, major_label_text_color: of("ink"),
      major_label_text_font: text.text_font, major_label_text_font_size: text.text_font_size }), "right");
  }

  // Rising places moved so that neighbours lie a gap apart, none above the top.
  function apart(places, gap, top) {
    const at = [...places], last = at.length - 1;
    for (let i = 1; i <= last; i++) at[i] = Math.max(at[i], at[i - 1] + gap);
    at[last] = Math.min(at[last], top - gap * 0.4);
    for (let i = last - 1; i >= 0; i--) at[i] = Math.min(at[i], at[i + 1] - gap);
    return at;
  }

  function drawBand({ plot, of }, band) {
    const box = make("BoxAnnotation", { bottom: band.low, top: band.high, left: NaN, right: NaN, level: "underlay",
      fill_color: of("band"), fill_alpha: 0.13, line_color: of("band"), line_alpha: 0.7, line_dash: [1, 3] });
    plot.add_layout(box);
    return { box, band };
  }

  function drawMark({ plot, of, text }, mark, slot, top) {
    const box = make("BoxAnnotation", { left: NaN, right: NaN, level: "underlay", fill_color: of("mark"), fill_alpha: 0.14,
      line_color: of("mark"), line_width: 1.2, hatch_pattern: "right_diagonal_line", hatch_color: of("mark"), hatch_alpha: 0.22, hatch_scale: 10 });
    const label = make("Label", { x: 0, y: top, text: `${mark.n} ${mark.severity}`, ...text, text_color: of("ink"), text_font_style: "bold",
      text_align: "left", text_baseline: "top", x_offset: 3, y_offset: -2 - 16 * slot, background_fill_color: of("paper"), background_fill_alpha: 0.85 });
    plot.add_layout(box); plot.add_layout(label);
    return { box, label, mark };
  }

  // An upright line with its text beside it, cut to the room there is; neighbours' texts stand at different heights.
  function drawUpright({ plot, of, text, element }, mark, slot) {
    const y = plot.y_range.end, [low, high] = [plot.x_range.start, plot.x_range.end], width = element.clientWidth - 60 - plot.min_border_right;
    const at = (mark.x - low) / (high - low) * width, late = at > width * 0.5, room = (late ? at : width - at) - 6;
    let said = mark.text;
    while (said.length > 4 && widthOf([said]) > room) said = `${said.replace(/…$/, "").slice(0, -1).trimEnd()}…`;
    plot.add_layout(make("Span", { location: mark.x, dimension: "height", line_color: of("ink"), line_width: 1.2, line_dash: [2, 2] }));
    plot.add_layout(make("Label", { x: mark.x, y, text: said, ...text, text_color: of("ink"), text_baseline: "top",
      text_align: late ? "right" : "left", x_offset: late ? -4 : 4, y_offset: -2 - 15 * (slot % 3), background_fill_color: of("paper"), background_fill_alpha: 0.85 }));
  }

  function nameTicks({ plot }, names) {
    const axis = plot.below[0];
    axis.ticker = make("FixedTicker", { ticks: Object.keys(names).map(Number) });
    axis.major_label_overrides = new Map(Object.entries(names).map(([k, v]) => [Number(k), v]));
  }

  function drawCursor({ plot, of }) {
    const span = make("Span", { location: 0, dimension: "height", line_color: of("cursor"), line_width: 1, visible: false });
    plot.add_layout(span);
    return span;
  }

  return { frame, show, narrow, widthOf, beside, drawLine, drawPoints, drawLevels, drawBand, drawMark, drawCursor, drawUpright, nameTicks };
})();
