// Unpacking of a packet's numbers, and the way from time to the axis that is shown.
"use strict";
const Numbers = (() => {
  function bytes(text) {
    const plain = atob(text), out = new Uint8Array(plain.length);
    for (let i = 0; i < out.length; i++) out[i] = plain.charCodeAt(i);
    return out;
  }

  const MISSING = -32768;

  function unpack(column) {
    const view = new DataView(bytes(column.data).buffer);
    const out = new Float64Array(view.byteLength / 2);
    for (let i = 0; i < out.length; i++) {
      const code = view.getInt16(2 * i, true);
      out[i] = code === MISSING ? NaN : (column.low || 0) + (column.step || 0) * (code + 32767);
    }
    return out;
  }

  function unpackTime(grid) {
    const view = new DataView(bytes(grid.time).buffer);
    const out = new Float64Array(view.byteLength / 4);
    for (let i = 0; i < out.length; i++) out[i] = grid.t0 + view.getFloat32(4 * i, true);
    return out;
  }

  // First index with list[i] >= x.
  function bisect(list, x) {
    let low = 0, high = list.length;
    while (low < high) { const mid = (low + high) >> 1; if (list[mid] < x) low = mid + 1; else high = mid; }
    return low;
  }

  // y at x, linear between points, NaN outside them.
  function at(xs, ys, x) {
    const i = bisect(xs, x);
    if (i === xs.length || (i === 0 && xs[0] !== x)) return NaN;
    if (xs[i] === x || i === 0) return ys[i];
    return ys[i - 1] + (ys[i] - ys[i - 1]) * (x - xs[i - 1]) / (xs[i] - xs[i - 1]);
  }

  // A grid that knows its time (less `shift`) and its engine speed, where that climbs.
  function openGrid(grid) {
    const time = unpackTime(grid), rpm = unpack(grid.rpm), shift = grid.shift || 0;
    const ts = [], rs = [];
    for (let i = 0; i < time.length; i++) if (!Number.isNaN(rpm[i])) { ts.push(time[i]); rs.push(rpm[i]); }
    return {
      time, start: grid.start, end: grid.end, from: rs[0], to: rs[rs.length - 1], hasSpeed: rs.length > 1,
      x: (t, mode) => mode === "rpm" ? at(ts, rs, t) : t - shift,
      // a finding may reach over the pull's ends; on the engine speed axis it is cut there
      xClamped: (t, mode) => mode === "rpm" ? at(ts, rs, Math.min(Math.max(t, ts[0]), ts[ts.length - 1])) : t - shift,
      back: (x, mode) => mode === "rpm" ? at(rs, ts, x) : x + shift,
    };
  }

  // The samples of a series, and its line broken where samples are missing for longer than its gap.
  function openSeries(series, grid) {
    const values = unpack(series), t = [], v = [];
    for (let i = 0; i < values.length; i++) if (!Number.isNaN(values[i])) { t.push(grid.time[i]); v.push(values[i]); }
    return { rejected: [], digits: 0, ...series, t, v, gridOf: grid };
  }

  function line(series, mode) {
    const x = [], y = [];
    let last = NaN;
    for (let i = 0; i < series.t.length; i++) {
      if (series.t[i] - last > series.gap) { x.push(NaN); y.push(NaN); }
      x.push(series.gridOf.x(series.t[i], mode)); y.push(series.v[i]);
      last = series.t[i];
    }
    return { x, y };
  }

  // The value nearest to time t, within the series' gap.
  function near(series, t) {
    let i = bisect(series.t, t);
    if (i > 0 && (i === series.t.length || t - series.t[i - 1] < series.t[i] - t)) i -= 1;
    return series.t.length && Math.abs(series.t[i] - t) <= series.gap ? series.v[i] : NaN;
  }

  return { unpackTime, openGrid, openSeries, line, near, at };
})();
