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

  function frame(element, { x, y, zoom }) {
    const of = colours(), text = { text_color: of("quiet"), text_font: of("sans"), text_font_size: "12px" };
    const prefixed = (prefix, values) => Object.fromEntries(Object.entries(values).map(([k, v]) => [`${prefix}_${k}`, v]));
    const plot = make("Plot", {
      x_range: make("Range1d", { start: x[0], end: x[1] }), y_range: make("Range1d", { start: y[0], end: y[1] }),
      x_scale: make("LinearScale"), y_scale: make("LinearScale"), toolbar_location: null,
      sizing_mode: "stretch_both", min_border_left: 54, min_border_right: 12, min_border_top: 6, min_border_bottom: 26,
      background_fill_color: of("paper"), border_fill_color: of("paper"), outline_line_color: null,
    });
    const axis = { axis_line_color: of("rule"), major_tick_line_color: of("rule"), minor_tick_line_color: null, ...prefixed("major_label", text) };
    const yTicks = make("BasicTicker", { desired_num_ticks: 4 }), xTicks = make("BasicTicker", { desired_num_ticks: 8 });
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
    panel.element.classList.add("ready");
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

  // A level across the plot with its text at the right end, above the line unless there is no room.
  function drawLevel({ plot, of, text }, level, { below = false, right = false } = {}) {
    const colour = level.role === "target" ? of("quiet") : of("limit");
    plot.add_layout(make("Span", { location: level.y, dimension: "width", line_color: colour, line_width: 1.3, line_dash: [4, 3] }));
    const at = right ? { x: plot.x_range.end, text_align: "right", x_offset: -3 } : { x: 1, x_units: "screen", x_offset: 3 };
    plot.add_layout(make("Label", { ...at, y: level.y, text: level.text, ...text, text_color: colour,
      text_baseline: below ? "top" : "bottom", y_offset: below ? -2 : 2,
      background_fill_color: of("paper"), background_fill_alpha: 0.8 }));
  }

  function drawBand({ plot, of, text }, band) {
    const box = make("BoxAnnotation", { bottom: band.low, top: band.high, left: NaN, right: NaN, level: "underlay",
      fill_color: of("band"), fill_alpha: 0.13, line_color: of("band"), line_alpha: 0.7, line_dash: [1, 3] });
    const label = make("Label", { x: 0, y: band.low, text: band.text, ...text, text_align: "right", text_baseline: "top", x_offset: -6, y_offset: -3,
      background_fill_color: of("paper"), background_fill_alpha: 0.8 });
    plot.add_layout(box); plot.add_layout(label);
    return { box, label, band };
  }

  function drawMark({ plot, of, text }, mark, slot, top) {
    const box = make("BoxAnnotation", { left: NaN, right: NaN, level: "underlay", fill_color: of("mark"), fill_alpha: 0.14,
      line_color: of("mark"), line_width: 1.2, hatch_pattern: "right_diagonal_line", hatch_color: of("mark"), hatch_alpha: 0.22, hatch_scale: 10 });
    const label = make("Label", { x: 0, y: top, text: `${mark.n} ${mark.severity}`, ...text, text_color: of("ink"), text_font_style: "bold",
      text_align: "left", text_baseline: "top", x_offset: 3, y_offset: -2 - 16 * slot, background_fill_color: of("paper"), background_fill_alpha: 0.85 });
    plot.add_layout(box); plot.add_layout(label);
    return { box, label, mark };
  }

  // An upright line with its text beside it; neighbours' texts stand at different heights.
  function drawUpright({ plot, of, text }, mark, slot) {
    const y = plot.y_range.end, [low, high] = [plot.x_range.start, plot.x_range.end], late = mark.x > low + (high - low) * 0.7;
    plot.add_layout(make("Span", { location: mark.x, dimension: "height", line_color: of("ink"), line_width: 1.2, line_dash: [2, 2] }));
    plot.add_layout(make("Label", { x: mark.x, y, text: mark.text, ...text, text_color: of("ink"), text_baseline: "top",
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

  return { frame, show, drawLine, drawPoints, drawLevel, drawBand, drawMark, drawCursor, drawUpright, nameTicks };
})();
