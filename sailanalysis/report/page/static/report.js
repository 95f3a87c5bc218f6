/* The report's own script: draws figures when they come into view, links track and strips,
   sorts, filters and copies tables. It reads only what the page holds and sends nothing. */
(function () {
  "use strict";
  var page = JSON.parse(document.getElementById("page-data").textContent);
  var root = document.documentElement;
  var all = function (sel, from) { return Array.prototype.slice.call((from || document).querySelectorAll(sel)); };
  var coarse = window.matchMedia && window.matchMedia("(pointer: coarse)").matches;
  /* Where nothing hovers, plotly's own buttons would always lie over the figure; the page has its own. */
  var hovers = !window.matchMedia || !window.matchMedia("(hover: none)").matches;

  function palette() { return root.classList.contains("night") ? page.night : page.day; }

  function decode(v) {
    if (!v || v.bdata === undefined) { return v; }
    var raw = atob(v.bdata), bytes = new Uint8Array(raw.length);
    for (var i = 0; i < raw.length; i++) { bytes[i] = raw.charCodeAt(i); }
    var kinds = { f4: Float32Array, f8: Float64Array, i2: Int16Array, i4: Int32Array, u1: Uint8Array, i1: Int8Array, u2: Uint16Array };
    return new kinds[v.dtype](bytes.buffer);
  }

  /* A copy of a spec with colour roles filled in; typed arrays pass untouched. */
  function painted(v, colours) {
    if (typeof v === "string") { return v.charAt(0) === "~" && colours[v] !== undefined ? colours[v] : v; }
    if (Array.isArray(v)) { return v.map(function (x) { return painted(x, colours); }); }
    if (v && typeof v === "object" && v.bdata === undefined && !ArrayBuffer.isView(v)) {
      var out = {};
      Object.keys(v).forEach(function (k) { out[k] = painted(v[k], colours); });
      return out;
    }
    return v;
  }

  function wrapped(text, width) {
    var lines = [""];
    String(text).split(" ").forEach(function (word) {
      var last = lines[lines.length - 1];
      if (last && last.length + word.length >= width) { lines.push(word); } else { lines[lines.length - 1] = last ? last + " " + word : word; }
    });
    return lines.join("<br>");
  }
  function pad2(n) { return (n < 10 ? "0" : "") + n; }
  function clock(epoch, seconds) {
    var d = new Date(Math.floor(epoch + page.shift_s) * 1000);
    return pad2(d.getUTCHours()) + ":" + pad2(d.getUTCMinutes()) + (seconds ? ":" + pad2(d.getUTCSeconds()) : "");
  }
  function clockTicks(low, high, t0, most) {
    var steps = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400];
    var span = Math.max(high - low, 1), step = steps[steps.length - 1];
    for (var i = 0; i < steps.length; i++) { if (span / steps[i] <= most) { step = steps[i]; break; } }
    while (span / step > most) { step += 86400; }
    var vals = [], text = [];
    for (var t = Math.ceil((low + t0 + page.shift_s) / step) * step - page.shift_s; t <= high + t0; t += step) {
      vals.push(t - t0); text.push(clock(t, step < 60));
    }
    return { tickvals: vals, ticktext: text };
  }

  /* ------------------------------------------------------------ drawing */
  var specs = {}, drawn = {};
  function spec(key) {
    if (!specs[key]) { specs[key] = JSON.parse(document.getElementById("spec-" + key).textContent); }
    return specs[key];
  }
  var config = {
    displaylogo: false, responsive: true, displayModeBar: hovers ? "hover" : false, showSendToCloud: false, showEditInChartStudio: false,
    modeBarButtonsToRemove: ["select2d", "lasso2d", "sendDataToCloud"],
    toImageButtonOptions: { format: "png", scale: 2 }
  };

  function dressed(div, key) {
    var s = spec(key), colours = palette();
    var layout = painted(s.layout, colours), data = painted(s.data, colours);
    var width = div.clientWidth;
    layout.autosize = true;
    layout.modebar = { bgcolor: "rgba(0,0,0,0)", color: colours["~soft"], activecolor: colours["~ink"] };
    if (layout.meta && layout.meta.aspect) { layout.height = Math.min(layout.height, Math.round(width * layout.meta.aspect) + 20); div.style.minHeight = layout.height + "px"; }
    if (width < 560) {
      if (layout.legend) { delete layout.legend.title; }
      /* Long row names go onto several lines, so that the drawing keeps its room. */
      Object.keys(layout).forEach(function (k) {
        if (/^yaxis/.test(k) && layout[k].ticktext) { layout[k].ticktext = layout[k].ticktext.map(function (t) { return wrapped(t, 22); }); }
      });
      layout.font.size = 11;
      layout.margin.l = Math.min(layout.margin.l, 46); layout.margin.r = 8;
    }
    if (layout.meta && layout.meta.kind === "track" && window.innerWidth < 1100) {
      /* Map, replay and strips in one view. */
      layout.height = Math.round(Math.max(300, Math.min(420, 0.34 * window.innerHeight)));
      div.style.minHeight = layout.height + "px";
    }
    var kind = layout.meta && layout.meta.kind;
    if (kind !== "track" && kind !== "strips") { layout.dragmode = coarse ? false : "zoom"; }
    ((layout.meta && layout.meta.time_axes) || []).forEach(function (name) {
      var ax = layout[name];
      if (ax && ax.range) { Object.assign(ax, clockTicks(ax.range[0], ax.range[1], layout.meta.t0, Math.max(3, Math.floor(width / 110)))); }
    });
    return { data: data, layout: layout };
  }

  function drawNow(div) {
    var key = div.getAttribute("data-figure");
    if (drawn[key]) { return drawn[key]; }
    if (typeof Plotly === "undefined") {
      div.textContent = "The plotting library (plotly.min.js) is not beside this report, so this figure cannot be drawn.";
      drawn[key] = Promise.resolve(null);
      return drawn[key];
    }
    var d = dressed(div, key);
    var view = div.closest(".view");
    if (view && d.layout.meta.kind === "track") { d.data.push(highlightTrace()); }
    drawn[key] = Plotly.newPlot(div, d.data, d.layout, config).then(function () {
      div.setAttribute("data-drawn", "1");
      wire(div, key);
      return div;
    });
    return drawn[key];
  }

  function highlightTrace() {
    return { type: "scatter", mode: "lines", x: [], y: [], line: { color: palette()["~ink"], width: 6 }, opacity: 0.45,
             hoverinfo: "skip", name: "chosen", meta: { role: "highlight" }, showlegend: false };
  }

  function repaint() {
    all(".plot[data-drawn]").forEach(function (div) {
      var key = div.getAttribute("data-figure"), d = dressed(div, key), kind = d.layout.meta && d.layout.meta.kind;
      if (kind === "track" || kind === "strips") { return; }
      Plotly.react(div, d.data, d.layout, config);
    });
    views.forEach(function (v) { v.repaint(); });
  }

  function wire(div, key) {
    var s = spec(key), meta = s.layout.meta || {};
    div.on("plotly_relayout", function (e) {
      if (meta.kind || !meta.time_axes || !meta.time_axes.length || e["xaxis.tickvals"]) { return; }
      var r = div._fullLayout.xaxis.range, t = clockTicks(+r[0], +r[1], meta.t0, Math.max(3, Math.floor(div.clientWidth / 110)));
      Plotly.relayout(div, { "xaxis.tickvals": t.tickvals, "xaxis.ticktext": t.ticktext });
    });
    div.on("plotly_click", function (e) {
      var p = e.points && e.points[0];
      if (!p) { return; }
      var m = p.data.meta || {}, f = m.role === "focus" ? m.focus : (m.role === "maneuver" && p.customdata ? p.customdata : null);
      if (f && views.length) { views[0].focus(f[0], f[1], f[2], div); }
    });
    views.forEach(function (v) { v.adopt(div, meta.kind); });
  }

  /* ------------------------------------------------------------ the linked view */
  function View(box) {
    var self = this;
    this.box = box;
    var detail = JSON.parse(box.querySelector("script.detail").textContent);
    this.t0 = detail.t0;
    this.t = decode(detail.t);
    this.x = detail.x ? decode(detail.x) : null;
    this.y = detail.y ? decode(detail.y) : null;
    this.names = detail.names || {};
    this.turn = {};
    ["hdg_deg", "twd_deg", "set_deg", "cog_deg"].forEach(function (n) { if (detail[n]) { self.turn[n] = decode(detail[n]); } });
    this.st = decode(detail.strips.t);
    this.channels = {};
    Object.keys(detail.strips.channels).forEach(function (n) {
      var c = detail.strips.channels[n];
      self.channels[n] = { v: decode(c.v), scale: c.scale, offset: c.offset };
    });
    this.end = this.t.length ? this.t[this.t.length - 1] : 1;
    this.now = detail.begin || 0;
    this.range = [0, this.end];
    this.chosen = null;
    this.track = null; this.strips = null;
    this.slider = box.querySelector(".at");
    this.slider.max = String(Math.ceil(this.end));
    this.by = box.querySelector(".colour-by");
    this.meta = spec("strips").layout.meta;
    this.shown = all(".channels input:checked", box).map(function (b) { return b.value; });
    this.listen();
    this.legend();
  }

  View.prototype.listen = function () {
    var self = this, box = this.box, playing = null, last = 0;
    this.slider.addEventListener("input", function () { self.cursor(+self.slider.value); });
    if (this.by) {
      this.by.value = spec("track").layout.meta.chosen;
      this.by.addEventListener("change", function () { self.colour(); });
    }
    all(".whole", box).forEach(function (b) { b.addEventListener("click", function () { self.whole(); }); });
    all(".zoom", box).forEach(function (b) {
      b.addEventListener("click", function () {
        var f = b.getAttribute("data-zoom") === "in" ? 0.5 : 2, mid = self.now >= self.range[0] && self.now <= self.range[1] ? self.now : (self.range[0] + self.range[1]) / 2;
        var half = Math.max(15, Math.min(self.end, (self.range[1] - self.range[0]) * f)) / 2;
        self.zoom(mid - half, mid + half);
      });
    });
    all(".channels input", box).forEach(function (b) {
      b.addEventListener("change", function () {
        self.shown = all(".channels input:checked", box).map(function (c) { return c.value; });
        self.arrange(); self.cursor(self.now);
      });
    });
    var play = box.querySelector(".play"), pace = box.querySelector(".pace");
    function stop() { if (playing) { cancelAnimationFrame(playing); } playing = null; play.textContent = "Play"; play.setAttribute("aria-pressed", "false"); }
    function step(ms) {
      var dt = last ? Math.min(ms - last, 250) / 1000 : 0;
      last = ms;
      var to = self.now + dt * +pace.value;
      self.follow(to);
      if (to >= self.end) { self.cursor(self.end); stop(); return; }
      self.cursor(to);
      playing = requestAnimationFrame(step);
    }
    play.addEventListener("click", function () {
      if (playing) { stop(); return; }
      last = 0;
      if (self.now >= self.end - 1) { self.cursor(0); }
      play.textContent = "Pause"; play.setAttribute("aria-pressed", "true");
      playing = requestAnimationFrame(step);
    });
  };

  /* The replay stays in its window: near the end of what is shown, the window moves on. */
  View.prototype.follow = function (t) {
    var span = this.range[1] - this.range[0];
    if (span >= this.end || (t >= this.range[0] && t <= this.range[1] - 0.03 * span)) { return; }
    var from = Math.max(0, Math.min(t - 0.1 * span, this.end - span));
    if (Math.abs(from - this.range[0]) > 1e-6) { this.zoom(from, from + span); }
  };

  View.prototype.adopt = function (div, kind) {
    var self = this;
    if (!this.box.contains(div)) { return; }
    if (kind === "track") {
      this.track = div;
      var boat = document.createElement("div");
      boat.className = "cursor-boat";
      boat.innerHTML = '<svg viewBox="-12 -12 24 24" width="24" height="24" aria-hidden="true"><path d="M0-10C4-4 5 3 3 9H-3C-5 3-4-4 0-10Z"/></svg>';
      div.appendChild(boat);
      this.boat = boat;
      div.on("plotly_hover", function (e) {
        var p = e.points && e.points[0];
        if (p && p.data.meta && p.data.meta.role === "pointer") { self.cursor(+p.customdata); }
      });
      div.on("plotly_relayout", function (e) { if (!e.ours) { self.furniture(); self.place(); } });
      this.colour();
      this.furniture();
    }
    if (kind === "strips") {
      this.strips = div;
      var line = document.createElement("div");
      line.className = "cursor-line";
      div.appendChild(line);
      this.line = line;
      div.addEventListener("pointermove", function (e) {
        var ax = div._fullLayout && div._fullLayout.xaxis;
        if (!ax) { return; }
        var px = e.clientX - div.getBoundingClientRect().left - ax._offset;
        if (px >= 0 && px <= ax._length) { self.cursor(ax.p2l(px)); }
      });
      div.on("plotly_relayout", function (e) {
        if (e["xaxis.tickvals"]) { self.place(); return; }
        var r = div._fullLayout.xaxis.range;
        self.range = [+r[0], +r[1]];
        clearTimeout(self.later);
        self.later = setTimeout(function () { self.refine(); }, 90);
      });
      if (this.chosen) { this.mark(); }
      if (this.range[0] > 0 || this.range[1] < this.end) { this.zoom(this.range[0], this.range[1]); }
      this.arrange();
    }
    this.cursor(this.now);
  };

  /* Index of the last instant at or before t. */
  function before(t, list) {
    var lo = 0, hi = list.length - 1;
    while (lo < hi) { var mid = (lo + hi + 1) >> 1; if (list[mid] <= t) { lo = mid; } else { hi = mid - 1; } }
    return lo;
  }

  View.prototype.value = function (name, t) {
    var c = this.channels[name];
    if (!c) { return NaN; }
    var i = before(t, this.st);
    if (Math.abs(this.st[i] - t) > 30) { return NaN; }
    return c.v[i] === -32768 ? NaN : c.v[i] * c.scale + c.offset;
  };

  View.prototype.cursor = function (t) {
    t = Math.max(0, Math.min(this.end, t));
    this.now = t;
    this.slider.value = String(Math.round(t));
    this.slider.setAttribute("aria-valuetext", clock(this.t0 + t, true) + " " + page.zone);
    var self = this, out = [["time", clock(this.t0 + t, true) + " " + page.zone]];
    this.shown.forEach(function (n) {
      var v = self.value(n, t), unit = self.meta.units[n];
      var glue = unit.charAt(0) === "°" ? unit : " " + unit;
      out.push([self.meta.labels[n], isFinite(v) ? v.toFixed(unit === "°" || unit === "rpm" || unit === "kg" ? 0 : 1).replace("-", "\u2212") + glue : "–"]);
    });
    Object.keys(this.names).forEach(function (n) {
      var list = self.names[n], who = "";
      if (!list.length) { return; }
      list.forEach(function (p) { if (p[0] <= t) { who = p[1]; } });
      out.splice(1, 0, [n, who || "–"]);
    });
    var dl = this.box.querySelector(".values");
    if (dl.children.length !== out.length) {
      dl.textContent = "";
      out.forEach(function () { var d = document.createElement("div"); d.appendChild(document.createElement("dt")); d.appendChild(document.createElement("dd")); dl.appendChild(d); });
    }
    out.forEach(function (pair, k) { var d = dl.children[k]; d.children[0].textContent = pair[0]; d.children[1].textContent = pair[1]; });
    this.rose();
    this.place();
  };

  View.prototype.bearing = function (name) {
    var list = this.turn[name];
    if (!list) { return NaN; }
    var v = list[before(this.now, this.t)];
    return v < 0 ? NaN : v;
  };

  View.prototype.rose = function () {
    var box = this.box, bow = this.bearing("hdg_deg"), wind = this.bearing("twd_deg"), set = this.bearing("set_deg");
    if (!isFinite(bow)) { bow = this.bearing("cog_deg"); }
    [[".hull", bow], [".wind", wind], [".tide", isFinite(set) ? set - 180 : set]].forEach(function (p) {
      var el = box.querySelector(".rose " + p[0]);
      el.setAttribute("visibility", isFinite(p[1]) ? "visible" : "hidden");
      /* The current's arrow is drawn from the middle downwards: towards south at zero. */
      if (isFinite(p[1])) { el.setAttribute("transform", "rotate(" + p[1] + ")"); }
    });
    return bow;
  };

  View.prototype.place = function () {
    if (this.strips && this.line && this.strips._fullLayout) {
      var fl = this.strips._fullLayout, ax = fl.xaxis, px = ax.l2p(this.now);
      var inside = px >= 0 && px <= ax._length;
      this.line.style.display = inside ? "block" : "none";
      this.line.style.left = (ax._offset + px) + "px";
      this.line.style.top = fl._size.t + "px";
      this.line.style.height = fl._size.h + "px";
    }
    if (this.track && this.boat && this.x && this.track._fullLayout) {
      var tl = this.track._fullLayout, i = before(this.now, this.t), x = this.x[i], y = this.y[i];
      var px2 = tl.xaxis.l2p(x), py = tl.yaxis.l2p(y);
      var seen = isFinite(px2) && isFinite(py) && px2 >= 0 && px2 <= tl.xaxis._length && py >= 0 && py <= tl.yaxis._length;
      this.boat.style.display = seen ? "block" : "none";
      this.boat.style.left = (tl.xaxis._offset + px2) + "px";
      this.boat.style.top = (tl.yaxis._offset + py) + "px";
      var bow = this.bearing("hdg_deg");
      if (!isFinite(bow)) { bow = this.bearing("cog_deg"); }
      this.boat.style.transform = "rotate(" + (isFinite(bow) ? bow : 0) + "deg)";
    }
  };

  View.prototype.colour = function () {
    if (!this.by) { return; }
    var by = this.by.value;
    if (this.track) {
      var on = [], off = [];
      this.track.data.forEach(function (tr, i) { if (tr.meta && tr.meta.role === "colour") { (tr.meta.by === by ? on : off).push(i); } });
      if (off.length) { Plotly.restyle(this.track, { visible: false }, off); }
      if (on.length) { Plotly.restyle(this.track, { visible: true }, on); }
    }
    this.legend();
  };

  View.prototype.legend = function () {
    if (!this.by) { return; }
    var colours = palette(), keys = (spec("track").layout.meta.legends || {})[this.by.value] || [];
    var p = this.box.querySelector(".legend"), dashes = { dash: "7 4", dot: "2 3", dashdot: "7 3 2 3", longdash: "10 4", longdashdot: "10 3 2 3" };
    p.textContent = "";
    keys.forEach(function (k) {
      var span = document.createElement("span"), ns = "http://www.w3.org/2000/svg";
      var svg = document.createElementNS(ns, "svg"), line = document.createElementNS(ns, "line");
      svg.setAttribute("viewBox", "0 0 26 8"); svg.setAttribute("aria-hidden", "true");
      line.setAttribute("x1", 0); line.setAttribute("x2", 26); line.setAttribute("y1", 4); line.setAttribute("y2", 4);
      line.setAttribute("stroke", colours[k.color] || k.color); line.setAttribute("stroke-width", 4);
      if (dashes[k.dash]) { line.setAttribute("stroke-dasharray", dashes[k.dash]); }
      svg.appendChild(line); span.appendChild(svg); span.appendChild(document.createTextNode(k.label)); p.appendChild(span);
    });
  };

  /* Graticule, scale bar: follow the zoom. */
  View.prototype.furniture = function () {
    var gd = this.track, fl = gd._fullLayout, m = spec("track").layout.meta.chart;
    var rx = fl.xaxis.range, ry = fl.yaxis.range, change = { ours: 1 };
    function letter(v, l) { return v === 0 ? "" : (v > 0 ? l[0] : l[1]); }
    function ticks(range, origin, scale, letters, width) {
      var vals = [], text = [], low, high, step, steps, i, v;
      if (!m.places) {
        steps = [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000, 50000];
        step = steps[steps.length - 1];
        for (i = 0; i < steps.length; i++) { if ((range[1] - range[0]) / steps[i] <= 6) { step = steps[i]; break; } }
        for (v = Math.ceil(range[0] / step) * step; v < range[1]; v += step) { vals.push(v); text.push(step >= 1000 ? (v / 1000) + " km" : v + " m"); }
        return { v: vals, t: text };
      }
      low = (origin + range[0] / scale) * 60; high = (origin + range[1] / scale) * 60;
      steps = [0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600];
      step = 1200;
      for (i = 0; i < steps.length; i++) { if ((high - low) / steps[i] <= 5) { step = steps[i]; break; } }
      var digits = step < 0.01 ? 3 : step < 0.1 ? 2 : step < 1 ? 1 : 0;
      for (v = Math.ceil(low / step) * step; v <= high; v += step) {
        var w = letters === "EW" ? v - 21600 * Math.floor((v + 10800) / 21600) : v;
        var a = Math.round(Math.abs(w) * 1000) / 1000, deg = Math.floor(a / 60), min = (a - deg * 60).toFixed(digits);
        if (+min >= 60) { deg += 1; min = (0).toFixed(digits); }
        vals.push((v / 60 - origin) * scale);
        text.push(("00" + deg).slice(-width) + "°" + (min.split(".")[0].length < 2 ? "0" : "") + min + "′" + letter(w, letters));
      }
      return { v: vals, t: text };
    }
    var tx = ticks(rx, m.lon0, m.kx, "EW", 3), ty = ticks(ry, m.lat0, m.ky, "NS", 2);
    change["xaxis.tickvals"] = tx.v; change["xaxis.ticktext"] = tx.t;
    change["yaxis.tickvals"] = ty.v; change["yaxis.ticktext"] = ty.t;
    var span = rx[1] - rx[0], goal = span / 5;
    var table = goal < 150 ? [1, 2, 5, 10, 20, 50, 100] : [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100].map(function (v) { return v * 1852; });
    var bar = table.reduce(function (a, b) { return Math.abs(Math.log(b / goal)) < Math.abs(Math.log(a / goal)) ? b : a; });
    var x0 = rx[0] + 0.03 * span, y0 = ry[0] + 0.05 * (ry[1] - ry[0]);
    var shapes = (gd.layout.shapes || []).slice(), notes = (gd.layout.annotations || []).slice();
    shapes.forEach(function (s, i) { if (s.name === "scale") { shapes[i] = Object.assign({}, s, { x0: x0, x1: x0 + bar, y0: y0, y1: y0 }); } });
    notes.forEach(function (s, i) { if (s.name === "scale") { notes[i] = Object.assign({}, s, { x: x0 + bar / 2, y: y0, text: goal < 150 ? bar + " m" : +(bar / 1852).toPrecision(3) + " NM" }); } });
    change.shapes = shapes; change.annotations = notes;
    delete change.ours;
    if (this.busy) { return; }
    this.busy = true;
    var self = this;
    Plotly.relayout(gd, change).then(function () { self.busy = false; self.place(); });
  };

  View.prototype.arrange = function () {
    if (!this.strips) { return; }
    var gd = this.strips, m = this.meta, self = this, change = {}, notes = [];
    var strip = window.innerWidth < 1100 ? 60 : m.strip_px;
    var n = Math.max(this.shown.length, 1), px = strip * n + m.band_px * m.bands, top = 1;
    change["yaxis.domain"] = m.bands ? [1 - m.band_px * m.bands / px, 1] : [0.999, 1];
    top -= m.band_px * m.bands / px;
    var vis = [], idx = [];
    gd.data.forEach(function (tr, i) {
      if (!tr.meta || tr.meta.role !== "strip") { return; }
      var name = tr.meta.channel, key = "yaxis" + tr.yaxis.slice(1), on = self.shown.indexOf(name) >= 0;
      idx.push(i); vis.push(on);
      change[key + ".visible"] = on;
      if (on) {
        var low = top - strip / px;
        change[key + ".domain"] = [Math.max(low + 0.1 * strip / px, 0), top - 0.16 * strip / px];
        notes.push({ xref: "paper", yref: "paper", x: 0, y: top, xanchor: "left", yanchor: "top", showarrow: false,
                     text: m.labels[name] + " (" + m.units[name] + ")", font: { size: 12, color: palette()["~soft"] } });
        top = low;
      } else { change[key + ".domain"] = [0, 0.001]; }
    });
    change.annotations = notes;
    change.height = 84 + px;
    gd.style.minHeight = change.height + "px";
    Plotly.update(gd, { visible: vis }, change, idx).then(function () { self.refine(); });
  };

  /* Draw the visible range from the finer samples: lowest and highest of each pixel's bucket. */
  View.prototype.refine = function () {
    var gd = this.strips, self = this;
    if (!gd) { return; }
    var r = this.range, xs = [], ys = [], idx = [];
    var a = Math.max(0, before(r[0], this.st) - 2), b = Math.min(this.st.length - 1, before(r[1], this.st) + 2);
    gd.data.forEach(function (tr, i) {
      if (!tr.meta || tr.meta.role !== "strip" || self.shown.indexOf(tr.meta.channel) < 0) { return; }
      var c = self.channels[tr.meta.channel];
      if (!c) { return; }
      var circle = self.meta.units[tr.meta.channel] === "°" && /hdg|cog|twd|twa|awa/.test(tr.meta.channel);
      var line = outline(self.st, c, a, b, 1600, circle);
      xs.push(line.x); ys.push(line.y); idx.push(i);
    });
    var t = clockTicks(r[0], r[1], this.t0, Math.max(3, Math.floor(gd.clientWidth / 110)));
    var change = { "xaxis.tickvals": t.tickvals, "xaxis.ticktext": t.ticktext };
    if (!idx.length) { Plotly.relayout(gd, change); return; }
    Plotly.update(gd, { x: xs, y: ys }, change, idx).then(function () { self.place(); });
  };

  function outline(t, c, a, b, most, circle) {
    var n = b - a + 1, width = Math.max(1, Math.ceil(2 * n / most)), x = [], y = [], prev = NaN, prevT = NaN;
    function push(i) {
      var v = c.v[i] === -32768 ? NaN : c.v[i] * c.scale + c.offset;
      if (t[i] - prevT > Math.max(15, 3 * width * (t[Math.min(a + 1, b)] - t[a] || 1)) || (circle && Math.abs(v - prev) > 180)) { x.push(prevT); y.push(NaN); }
      x.push(t[i]); y.push(v); prev = v; prevT = t[i];
    }
    for (var i = a; i <= b; i += width) {
      var stop = Math.min(b + 1, i + width), lo = -1, hi = -1;
      for (var j = i; j < stop; j++) {
        if (c.v[j] === -32768) { continue; }
        if (lo < 0 || c.v[j] < c.v[lo]) { lo = j; }
        if (hi < 0 || c.v[j] > c.v[hi]) { hi = j; }
      }
      if (lo < 0) { push(i); continue; }
      if (lo === hi) { push(lo); } else { push(Math.min(lo, hi)); push(Math.max(lo, hi)); }
    }
    return { x: x, y: y };
  }

  View.prototype.zoom = function (from, to) {
    this.range = [from, to];
    if (this.strips) { Plotly.relayout(this.strips, { "xaxis.range": [from, to] }); }
  };

  View.prototype.whole = function () {
    this.chosen = null;
    this.mark();
    this.zoom(0, this.end);
    if (this.track) { var s = spec("track").layout; Plotly.relayout(this.track, { "xaxis.range": s.xaxis.range.slice(), "yaxis.range": s.yaxis.range.slice() }); }
    this.box.querySelector(".focus-said").textContent = "";
  };

  View.prototype.mark = function () {
    var c = this.chosen, self = this;
    if (this.strips) {
      Plotly.relayout(this.strips, { shapes: c ? [{ type: "rect", xref: "x", yref: "paper", x0: c[0], x1: c[1], y0: 0, y1: 1, fillcolor: palette()["~shade"], line: { width: 0 }, layer: "below" }] : [] });
    }
    if (this.track && this.x) {
      var x = [], y = [];
      if (c) { for (var i = before(c[0], this.t); i <= before(c[1], this.t); i++) { x.push(this.x[i]); y.push(this.y[i]); } }
      this.track.data.forEach(function (tr, k) { if (tr.meta && tr.meta.role === "highlight") { Plotly.restyle(self.track, { x: [x], y: [y] }, [k]); } });
    }
  };

  View.prototype.focus = function (from, to, label, origin) {
    var self = this;
    reveal(this.box);
    this.chosen = [from, to];
    var waits = all(".plot", this.box).map(drawNow);
    Promise.all(waits).then(function () {
      var pad = Math.max(30, 0.5 * (to - from));
      self.mark();
      self.zoom(Math.max(0, from - pad), Math.min(self.end, to + pad));
      if (self.track && self.x) {
        var lx = Infinity, hx = -Infinity, ly = Infinity, hy = -Infinity;
        for (var i = before(from - pad, self.t); i <= before(to + pad, self.t); i++) {
          if (isFinite(self.x[i]) && isFinite(self.y[i])) { lx = Math.min(lx, self.x[i]); hx = Math.max(hx, self.x[i]); ly = Math.min(ly, self.y[i]); hy = Math.max(hy, self.y[i]); }
        }
        if (hx > lx || hy > ly) {
          var fl = self.track._fullLayout, w = fl.xaxis._length, h = fl.yaxis._length;
          var scale = 1.25 * Math.max((hx - lx) / w, (hy - ly) / h, 40 / Math.min(w, h)), cx = (lx + hx) / 2, cy = (ly + hy) / 2;
          Plotly.relayout(self.track, { "xaxis.range": [cx - scale * w / 2, cx + scale * w / 2], "yaxis.range": [cy - scale * h / 2, cy + scale * h / 2] });
        }
      }
      self.cursor((from + to) / 2);
    });
    var said = this.box.querySelector(".focus-said");
    said.textContent = "Shown: " + label + ".";
    if (origin && !this.box.contains(origin)) {
      var back = document.createElement("button");
      back.type = "button"; back.textContent = "Back to where you were";
      back.addEventListener("click", function () {
        reveal(origin);
        origin.scrollIntoView({ block: "center" });
        if (origin.focus) { origin.focus({ preventScroll: true }); }
      });
      said.appendChild(back);
      this.box.scrollIntoView({ block: "start" });
      back.focus({ preventScroll: true });
    }
  };

  View.prototype.repaint = function () {
    var self = this;
    [this.track, this.strips].forEach(function (div) {
      if (!div) { return; }
      var key = div.getAttribute("data-figure"), d = dressed(div, key);
      /* Keep what was zoomed and chosen: take colours from the fresh copy, data from the drawn one. */
      d.data.forEach(function (tr, i) {
        var old = div.data[i];
        if (!old) { return; }
        ["line", "marker", "textfont"].forEach(function (k) { if (tr[k]) { old[k] = tr[k]; } });
      });
      div.data.forEach(function (tr) { if (tr.meta && tr.meta.role === "highlight") { tr.line.color = palette()["~ink"]; } });
      ["xaxis", "yaxis"].forEach(function (k) { d.layout[k].range = div._fullLayout[k].range.slice(); });
      if (div === self.strips) { d.layout.height = div.layout.height; Object.keys(d.layout).forEach(function (k) { if (/^yaxis/.test(k) && div.layout[k]) { d.layout[k].domain = div.layout[k].domain; d.layout[k].visible = div.layout[k].visible; } }); d.layout.annotations = div.layout.annotations; }
      Plotly.react(div, div.data, d.layout, config).then(function () {
        if (div === self.track) { self.furniture(); } else { self.arrange(); }
        self.mark();
      });
    });
    this.legend();
  };

  /* ------------------------------------------------------------ tables */
  all(".table").forEach(function (box) {
    var table = box.querySelector("table"), body = table.tBodies[0], said = box.querySelector(".said");
    all("th .sort", table).forEach(function (button) {
      button.addEventListener("click", function () {
        var th = button.parentNode, col = th.cellIndex, up = th.getAttribute("aria-sort") !== "ascending";
        all("th[aria-sort]", table).forEach(function (h) { h.setAttribute("aria-sort", "none"); });
        th.setAttribute("aria-sort", up ? "ascending" : "descending");
        var rows = all("tr", body);
        rows.sort(function (r, s) {
          var a = key(r.cells[col]), b = key(s.cells[col]);
          if (a === null || b === null) { return (a === null) - (b === null); }
          var c = typeof a === "number" && typeof b === "number" ? a - b : String(a).localeCompare(String(b), undefined, { numeric: true });
          return up ? c : -c;
        });
        rows.forEach(function (r) { body.appendChild(r); });
      });
    });
    function key(cell) {
      var v = cell.getAttribute("data-v"), t = cell.textContent;
      if (v !== null) { return +v; }
      return t === "" || t === "–" ? null : t;
    }
    var filter = box.querySelector("input[type=search]");
    if (filter) {
      filter.addEventListener("input", function () {
        var want = filter.value.trim().toLowerCase(), n = 0;
        all("tr", body).forEach(function (r) {
          var hit = !want || r.textContent.toLowerCase().indexOf(want) >= 0;
          r.hidden = !hit; n += hit;
        });
        said.textContent = want ? n + " of " + body.rows.length + " rows" : "";
      });
    }
    box.querySelector(".copy").addEventListener("click", function () {
      var lines = [all("th .sort", table).map(function (b) { return b.textContent.trim(); }).join("\t")];
      all("tr", body).forEach(function (r) {
        if (r.hidden) { return; }
        lines.push(all("td:not(.go)", r).map(function (c) {
          var t = c.getAttribute("data-copy") || c.textContent, plain = t.replace("\u2212", "-").replace(/\u202f/g, "");
          if (t === "–") { return ""; }
          return (/^-?\d+(\.\d+)?$/.test(plain) ? plain : t).replace(/[\t\n\r]+/g, " ");
        }).join("\t"));
      });
      put(lines.join("\n"), function (ok) { said.textContent = ok ? "Copied " + (lines.length - 1) + " rows." : "Copying was refused by the browser."; });
    });
  });
  function put(text, done) {
    function old() {
      var area = document.createElement("textarea");
      area.value = text; area.style.position = "fixed"; area.style.opacity = "0";
      document.body.appendChild(area); area.select();
      var ok = false;
      try { ok = document.execCommand("copy"); } catch (e) { ok = false; }
      area.remove(); done(ok);
    }
    if (navigator.clipboard && navigator.clipboard.writeText) { navigator.clipboard.writeText(text).then(function () { done(true); }, old); } else { old(); }
  }

  /* ------------------------------------------------------------ page */
  var views = all(".view").map(function (box) { return new View(box); });
  all("button.focus").forEach(function (b) {
    b.addEventListener("click", function () {
      all("tr.chosen").forEach(function (r) { r.classList.remove("chosen"); });
      if (b.closest("tr")) { b.closest("tr").classList.add("chosen"); }
      if (views.length) { views[0].focus(+b.getAttribute("data-from"), +b.getAttribute("data-to"), b.getAttribute("data-label"), b); }
    });
  });
  all("button.save").forEach(function (b) {
    b.addEventListener("click", function () {
      var div = b.closest("figure").querySelector(".plot");
      drawNow(div).then(function () {
        Plotly.downloadImage(div, { format: b.getAttribute("data-save"), filename: div.getAttribute("data-figure"), width: Math.max(div.clientWidth, 700), height: div.clientHeight, scale: b.getAttribute("data-save") === "png" ? 2 : 1 });
      });
    });
  });
  var night = document.getElementById("night");
  function paintNight() {
    var on = root.classList.contains("night");
    night.setAttribute("aria-pressed", on ? "true" : "false");
    night.textContent = on ? "Day page" : "Night page";
  }
  night.addEventListener("click", function () {
    var on = root.classList.toggle("night");
    try { window.localStorage.setItem("sailanalysis-night", on ? "1" : "0"); } catch (e) { on = false; }
    paintNight(); repaint();
  });
  paintNight();
  all("a.term").forEach(function (a) {
    a.addEventListener("click", function () { var d = document.getElementById(a.hash.slice(1)); if (d && d.closest("details")) { d.closest("details").open = true; } });
  });

  /* ------------------------------------------------------------ folds */
  var place = "sailanalysis-open-" + (document.querySelector(".kind") || {}).textContent;
  function remembered() { try { return JSON.parse(window.localStorage.getItem(place) || "[]"); } catch (e) { return []; } }
  function remember() {
    var open = all("section > details.fold[open]").map(function (d) { return d.parentNode.id; });
    try { window.localStorage.setItem(place, JSON.stringify(open)); } catch (e) { open = null; }
  }
  /* A table that does not fit its place becomes cards. */
  function fit(from) {
    all(".scroll", from).forEach(function (box) {
      if (!box.clientWidth) { return; }
      box.classList.remove("cards");
      box.classList.toggle("cards", box.scrollWidth > box.clientWidth + 1);
    });
  }
  /* Opens whatever folds hide an element. */
  function reveal(el) {
    var hidden = false;
    for (var d = el && el.closest("details"); d; d = d.parentNode.closest("details")) { if (!d.open) { d.open = true; hidden = true; } }
    if (hidden) { fit(el.closest("section") || document); }
  }
  function revealHash() {
    var el = location.hash.length > 1 && document.getElementById(decodeURIComponent(location.hash.slice(1)));
    if (!el) { return; }
    reveal(el);
    var fold = el.querySelector(":scope > details.fold");
    if (fold) { fold.open = true; }
    el.scrollIntoView();
  }
  remembered().forEach(function (id) {
    var el = document.getElementById(id), fold = el && el.querySelector(":scope > details.fold");
    if (fold) { fold.open = true; }
  });
  all("details").forEach(function (d) {
    d.addEventListener("toggle", function () { fit(d); if (d.classList.contains("fold")) { remember(); } });
  });
  [["open-all", true], ["close-all", false]].forEach(function (p) {
    var b = document.getElementById(p[0]);
    if (b) { b.addEventListener("click", function () { all("section > details.fold").forEach(function (d) { d.open = p[1]; }); }); }
  });
  var menu = document.querySelector(".menu");
  all(".menu a").forEach(function (a) { a.addEventListener("click", function () { menu.open = false; }); });
  document.addEventListener("click", function (e) {
    if (menu && menu.open && !menu.contains(e.target)) { menu.open = false; }
    var a = e.target.closest ? e.target.closest('a[href^="#"]') : null;
    if (a && a.hash === location.hash) { revealHash(); }
  });
  document.addEventListener("keydown", function (e) { if (e.key === "Escape" && menu) { menu.open = false; } });
  window.addEventListener("hashchange", revealHash);
  var later = null;
  window.addEventListener("resize", function () { clearTimeout(later); later = setTimeout(function () { fit(document); }, 120); });
  fit(document);
  revealHash();

  var plots = all(".plot");
  if ("IntersectionObserver" in window) {
    var eye = new IntersectionObserver(function (seen) {
      seen.forEach(function (e) { if (e.isIntersecting) { eye.unobserve(e.target); drawNow(e.target); } });
    }, { rootMargin: "500px 0px" });
    plots.forEach(function (p) { eye.observe(p); });
  } else { plots.forEach(drawNow); }

  /* For tests: open and draw everything now. */
  window.sailanalysisDrawAll = function () {
    plots.forEach(reveal);
    return Promise.all(plots.map(drawNow));
  };
  window.sailanalysisView = views[0] || null;
  root.setAttribute("data-ready", "1");
})();
