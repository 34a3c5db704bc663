// Charts: asks the server for as many points as the chart is wide, on every zoom anew; draws, and fills the table.
"use strict";
(() => {
  const libraryUrl = document.currentScript.dataset.library;
  const MOST_MARKS_NAMED = 12, TABLE_ROWS = 48, LEAST_SPAN_S = 120, FIGURE_SPAN_S = 35 * 86400;
  let library = null;
  const load = () => library ??= new Promise((done, failed) => {
    const script = document.createElement("script");
    // While it is loaded the library puts in styles for maps, which the policy refuses and nobody here needs:
    // meanwhile it is given an element without any effect for them.
    const make = document.createElement;
    document.createElement = (tag, ...more) => make.call(document, tag === "style" ? "template" : tag, ...more);
    const loaded = () => { delete document.createElement; };
    script.src = libraryUrl;
    script.onload = () => { loaded(); done(window.Plotly); };
    script.onerror = () => { loaded(); failed(new Error("the chart library did not load")); };
    document.head.append(script);
  });

  // ---- colours of the style sheet, as they are now ---------------------------------------------------------
  function colours() {
    const probe = document.createElement("span");
    document.body.append(probe);
    const found = {};
    for (const name of ["ink", "soft", "line", "edge", "band", "sheet", "high", "medium", "low"]) {
      probe.style.color = `var(--${name})`;
      found[name] = getComputedStyle(probe).color;
    }
    probe.remove();
    return found;
  }
  const faint = (rgb, share) => rgb.replace(/rgba?\(([^)]+)\)/, (_, inner) => `rgba(${inner.split(",").slice(0, 3).join(",")},${share})`);

  // ---- the station's clock -----------------------------------------------------------------------------------
  function clock(zone) {
    const form = new Intl.DateTimeFormat("en-GB", { timeZone: zone, hourCycle: "h23", year: "numeric", month: "numeric",
      day: "numeric", hour: "numeric", minute: "numeric", second: "numeric" });
    const kept = new Map();
    const offset = (at) => {                         // seconds to add to UTC; changes on quarter hours at most
      const key = Math.floor(at / 900);
      if (!kept.has(key)) {
        const part = Object.fromEntries(form.formatToParts(key * 900000).map((p) => [p.type, Number(p.value)]));
        kept.set(key, Date.UTC(part.year, part.month - 1, part.day, part.hour, part.minute, part.second) / 1000 - key * 900);
      }
      return kept.get(key);
    };
    const text = (seconds) => new Date(seconds * 1000).toISOString().slice(0, 19);
    const parsed = (said) => Date.parse(`${said.replace(" ", "T").slice(0, 19)}Z`.replace(/T(\d\d:\d\d)Z$/, "T$1:00Z")) / 1000;
    const name = (at) => {                           // such as CDT, as whichever of the two knows it
      const said = ["en-GB", "en-US", "en-AU"].map((language) => new Intl.DateTimeFormat(language, { timeZone: zone, timeZoneName: "short" })
        .formatToParts(at * 1000).find((p) => p.type === "timeZoneName").value);
      return said.find((one) => !/[+-]/.test(one)) || said[0];
    };
    // One clock for a whole axis: the station's, or where it goes back within the span the one it had before, so
    // that the hour that comes twice is drawn twice and not over itself.
    const axisClock = (from, to) => {
      for (let at = from; at < to; at += 86400) {
        if (offset(Math.min(at + 86400, to)) < offset(at)) {
          const shift = offset(from);
          return { local: (t) => text(t + shift), back: (said) => parsed(said) - shift, kept: name(from) };
        }
      }
      const back = (said) => { const seconds = parsed(said); return seconds - offset(seconds - offset(seconds)); };
      return { local: (t) => text(t + offset(t)), back, kept: "" };
    };
    const words = new Intl.DateTimeFormat("en-GB", { timeZone: zone, weekday: "short", day: "2-digit", month: "short",
      year: "numeric", hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
    const isTwice = (at) => offset(at + 3600) < offset(at) || offset(at - 3600) > offset(at);
    return { axisClock, words: (at) => words.format(at * 1000).replaceAll(",", "") + (isTwice(at) ? ` ${name(at)}` : "") };
  }
  function lengthWords(seconds) {
    for (const [size, unit] of [[86400, "days"], [3600, "h"], [60, "min"]]) {
      if (seconds >= size && (unit !== "days" || seconds >= 172800)) return `${+(seconds / size).toPrecision(3)} ${unit}`;
    }
    return `${+seconds.toPrecision(3)} s`;
  }

  // ---- pieces of a chart ---------------------------------------------------------------------------------------
  const scaled = (values, factor) => values.map((v) => v === null ? null : v * factor);
  function area(x, low, high, fill, name, axis) {     // one closed outline for each stretch without a gap
    const px = [], py = [];
    let start = -1;
    const close = (end) => {
      for (let i = start; i < end; i++) { px.push(x[i]); py.push(low[i]); }
      for (let i = end - 1; i >= start; i--) { px.push(x[i]); py.push(high[i]); }
      px.push(null); py.push(null);
      start = -1;
    };
    for (let i = 0; i <= x.length; i++) {
      const there = i < x.length && low[i] !== null && high[i] !== null;
      if (there && start < 0) start = i;
      if (!there && start >= 0) close(i);
    }
    return { x: px, y: py, type: "scatter", mode: "lines", fill: "toself", fillcolor: fill, line: { width: 0 },
      hoverinfo: "skip", name, yaxis: axis, showlegend: false };
  }
  const line = (x, y, colour, name, axis, more = {}) => ({ x, y, type: "scatter", mode: "lines", connectgaps: false, name, yaxis: axis,
    line: { color: colour, width: 1.8, ...(more.line || {}) }, hovertemplate: more.hover || "%{y}", showlegend: false });
  function frame(c, extra) {
    const narrow = innerWidth < 600;
    return { paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)", font: { color: c.ink, family: getComputedStyle(document.body).fontFamily, size: 13 },
      margin: { l: narrow ? 52 : 66, r: narrow ? 10 : 18, t: 34, b: 56 }, showlegend: false,
      hoverlabel: { bgcolor: c.sheet, bordercolor: c.edge, font: { color: c.ink } }, ...extra };
  }
  const axis = (c, title, more = {}) => ({ title: { text: title, standoff: 6 }, gridcolor: c.line, linecolor: c.edge, tickcolor: c.edge,
    zeroline: false, automargin: false, fixedrange: true, nticks: 5, ...more });
  const STOPS = [{ dtickrange: [null, 60000], value: "%H:%M:%S\n%d %b %Y" }, { dtickrange: [60000, 43200000], value: "%H:%M\n%d %b %Y" },
    { dtickrange: [43200001, "M1"], value: "%d %b\n%Y" }, { dtickrange: ["M1", "M12"], value: "%b\n%Y" }, { dtickrange: ["M12", null], value: "%Y" }];
  const SETTINGS = { displayModeBar: false, responsive: true, doubleClick: false, scrollZoom: false };
  async function ask(url, signal) {
    const response = await fetch(url, { signal, headers: { Accept: "application/json" } });
    if (!response.ok) {
      const problem = await response.json().catch(() => ({}));
      throw new Error(problem.detail || `the server answered ${response.status}`);
    }
    return response.json();
  }
  function row(cells, tag = "td") {
    const tr = document.createElement("tr");
    cells.forEach((text, n) => {
      const cell = document.createElement(n === 0 ? "th" : tag);
      cell.scope = tag === "th" ? "col" : n === 0 ? "row" : "";
      if (!cell.scope) cell.removeAttribute("scope");
      if (n > 0) cell.className = "n";
      cell.textContent = text;
      tr.append(cell);
    });
    return tr;
  }
  const shown = (value, decimals) => value === null || value === undefined ? "–" : value.toFixed(decimals);

  // ---- readings over time -------------------------------------------------------------------------------------
  function seriesChart(figure) {
    const data = figure.dataset, box = figure.querySelector(".chart-box"), said = figure.querySelector("figcaption");
    const table = document.getElementById("series-table");
    const at = clock(data.zone), first = Number(data.first);
    let served = Number(document.body.dataset.now), servedAt = performance.now();
    const now = () => served + (performance.now() - servedAt) / 1000;
    document.addEventListener("clockset", (event) => { served = event.detail; servedAt = performance.now(); });
    const last = () => Math.max(now(), Number(data.last));
    const hasFlow = data.hasFlow === "1", hasInlet = data.hasInlet === "1";
    const kp = Number(data.pressureFactor), kf = Number(data.flowFactor), dp = Number(data.pressureDecimals), df = Number(data.flowDecimals);
    let span = [Number(data.from), Number(data.to)], answer = null, abort = null, timer = 0, plotly = null, isDrawing = false, on = null, follows = false;

    function rows() {                                   // domains from the top: outlet, inlet, flow
      const small = [hasInlet, hasFlow].filter(Boolean).length;
      const cut = { 0: [0, 1], 1: [0.32, 1], 2: [0.5, 1] }[small];
      const under = small === 2 ? { inlet: [0.26, 0.43], flow: [0, 0.19] } : { inlet: [0, 0.24], flow: [0, 0.24] };
      return { outlet: cut, ...under };
    }
    function marks(c) {
      const shapes = [], notes = [];
      let lastNamed = -Infinity, named = 0;
      const wide = span[1] - span[0];
      const list = [...answer.alerts].sort((a, b) => a.began_s - b.began_s);
      for (const mark of list) {
        const from = Math.max(mark.began_s, span[0]), to = Math.min(mark.ended_s ?? Math.max(last(), mark.raised_s), span[1]);
        const colour = mark.is_standing ? c[mark.priority] : c.edge;
        shapes.push({ type: "rect", xref: "x", yref: "paper", x0: on.local(from), x1: on.local(Math.max(to, from + wide / 400)), y0: 1.005, y1: 1.02, fillcolor: colour, line: { width: 0 } });
        if (mark.began_s >= span[0]) shapes.push({ type: "line", xref: "x", yref: "paper", x0: on.local(from), x1: on.local(from), y0: 0, y1: 1.02, line: { color: colour, width: 1.6, dash: "dot" } });
        if (from - lastNamed > wide * (innerWidth < 600 ? 0.3 : 0.14) && named < MOST_MARKS_NAMED) {
          const isLate = from > span[0] + wide * 0.8;
          notes.push({ x: on.local(from), y: 1.022, xref: "x", yref: "paper", xanchor: isLate ? "right" : "left", yanchor: "bottom", showarrow: false, text: mark.title, font: { color: mark.is_standing ? c[mark.priority] : c.soft, size: 12 } });
          lastNamed = from;
          named += 1;
        }
      }
      const end = now();
      if (end >= span[0] && end <= span[1] + wide / 100) {  // the edge of what can be known
        shapes.push({ type: "line", xref: "x", yref: "paper", x0: on.local(end), x1: on.local(end), y0: 0, y1: 1, line: { color: c.ink, width: 1.6 } });
        notes.push({ x: on.local(end), y: 0, xref: "x", yref: "paper", xanchor: "right", yanchor: "bottom", showarrow: false, text: "now", font: { color: c.ink, size: 12 } });
      }
      return { shapes, notes };
    }
    function draw() {
      if (!answer || !plotly) return;
      on = at.axisClock(span[0], span[1]);
      const c = colours(), x = answer.times_s.map(on.local), channel = answer.channels, traces = [], domain = rows();
      const outlet = channel.outlet_kpa, band = answer.band;
      const isBucketed = outlet && outlet.low.some((v, i) => v !== null && v !== outlet.high[i]);
      if (band) {
        traces.push(area(x, scaled(band.low_kpa, kp), scaled(band.high_kpa, kp), c.band, "learned band", "y"));
        traces.push(line(x, scaled(band.expected_kpa, kp), c.edge, "expected", "y", { line: { dash: "dot", width: 1.6 }, hover: `expected %{y:.${dp}f} ${data.pressure}<extra></extra>` }));
      }
      if (outlet) {
        if (isBucketed) traces.push(area(x, scaled(outlet.low, kp), scaled(outlet.high, kp), faint(c.edge, 0.45), "lowest to highest", "y"));
        traces.push(line(x, scaled(outlet.mean, kp), c.ink, "outlet", "y", { hover: `outlet %{y:.${dp}f} ${data.pressure}<extra></extra>` }));
      }
      if (hasInlet && channel.inlet_kpa) {
        if (isBucketed) traces.push(area(x, scaled(channel.inlet_kpa.low, kp), scaled(channel.inlet_kpa.high, kp), faint(c.edge, 0.35), "", "y2"));
        traces.push(line(x, scaled(channel.inlet_kpa.mean, kp), c.soft, "inlet", "y2", { line: { dash: "dash" }, hover: `inlet %{y:.${dp}f} ${data.pressure}<extra></extra>` }));
      }
      if (hasFlow && channel.flow_lps) {
        if (isBucketed) traces.push(area(x, scaled(channel.flow_lps.low, kf), scaled(channel.flow_lps.high, kf), faint(c.edge, 0.35), "", "y3"));
        traces.push(line(x, scaled(channel.flow_lps.mean, kf), c.ink, "flow", "y3", { hover: `flow %{y:.${df}f} ${data.flow}<extra></extra>` }));
      }
      for (const name of ["y", ...(hasInlet ? ["y2"] : []), ...(hasFlow ? ["y3"] : [])]) {  // axes stand where no reading does
        traces.push({ x: span.map(on.local), y: [null, null], type: "scatter", mode: "lines", hoverinfo: "skip", yaxis: name, showlegend: false });
      }
      const { shapes, notes } = marks(c);
      if (!answer.times_s.length) notes.push({ xref: "paper", yref: "paper", x: 0.5, y: 0.75, showarrow: false, text: "No readings in this span", font: { color: c.soft, size: 16 } });
      const layout = frame(c, {
        shapes, annotations: notes, hovermode: "x unified", dragmode: matchMedia("(pointer: coarse)").matches ? false : "zoom",
        xaxis: { type: "date", tickformatstops: STOPS, range: span.map(on.local), gridcolor: c.line, linecolor: c.edge, tickcolor: c.edge, anchor: hasFlow ? "y3" : hasInlet ? "y2" : "y", nticks: innerWidth < 600 ? 4 : 8, title: { text: `Time, ${data.zone}`, standoff: 4, font: { size: 12 } } },
        yaxis: axis(c, `Outlet, ${data.pressure}`, { domain: domain.outlet, nticks: 7 }),
        ...(hasInlet ? { yaxis2: axis(c, `Inlet, ${data.pressure}`, { domain: domain.inlet, nticks: 3 }) } : {}),
        ...(hasFlow ? { yaxis3: axis(c, `Flow, ${data.flow}`, { domain: domain.flow, nticks: 3, rangemode: "tozero" }) } : {}),
      });
      isDrawing = true;
      plotly.react(box, traces, layout, SETTINGS).then(() => { isDrawing = false; figure.dataset.drawn = String(x.length); });
      speak();
      fill();
    }
    function speak() {
      const n = answer.times_s.length;
      const each = answer.bucket_s;
      const parts = [`${at.words(span[0])} to ${at.words(span[1])}, at the station's clock (${data.zone}).`];
      if (n && now() - answer.times_s[n - 1] > 3 * each + 120 && span[1] > now() - 60) parts.push(`The newest reading is ${lengthWords(Math.round(now() - answer.times_s[n - 1]))} old.`);
      parts.push(n ? `${n} points, one for each ${lengthWords(each)}.` : "No readings in this span.");
      if (on.kept) parts.push(`The clock goes back in this span; the axis stays on ${on.kept}, so that the hour that comes twice stands twice.`);
      if (answer.is_thinned) parts.push("Older readings are kept as 15-minute lowest, mean and highest.");
      if (!answer.band) parts.push("No learned band: the station has not been learned.");
      said.textContent = parts.join(" ");
    }
    function fill() {
      const outlet = answer.channels.outlet_kpa, every = Math.max(1, Math.ceil(answer.times_s.length / TABLE_ROWS));
      const rowsOut = [];
      for (let i = 0; outlet && i < answer.times_s.length; i += every) {
        const cells = [at.words(answer.times_s[i]), shown(scaled([outlet.mean[i]], kp)[0], dp), shown(scaled([outlet.low[i]], kp)[0], dp), shown(scaled([outlet.high[i]], kp)[0], dp),
          answer.band ? shown(scaled([answer.band.expected_kpa[i]], kp)[0], dp) : "–"];
        if (hasInlet) cells.push(answer.channels.inlet_kpa ? shown(scaled([answer.channels.inlet_kpa.mean[i]], kp)[0], dp) : "–");
        if (hasFlow) cells.push(answer.channels.flow_lps ? shown(scaled([answer.channels.flow_lps.mean[i]], kf)[0], df) : "–");
        rowsOut.push(row(cells));
      }
      table.caption.textContent = every > 1 ? `Every ${every}th point of the chart.` : "Every point of the chart.";
      table.tBodies[0].replaceChildren(...rowsOut);
    }
    async function fetchSpan() {
      abort?.abort();
      const mine = abort = new AbortController();
      figure.classList.add("busy");
      const points = Math.min(1600, Math.max(200, Math.round(box.clientWidth)));
      try {
        const [found, lib] = await Promise.all([ask(`${data.url}?from=${Math.floor(span[0])}&to=${Math.ceil(span[1])}&points=${points}`, mine.signal), load()]);
        answer = found;
        plotly = lib;
        const isFirst = !figure.dataset.drawn;
        draw();
        if (isFirst) listen();
        document.dispatchEvent(new CustomEvent("spanshown", { detail: span }));
      } catch (error) {
        if (error.name !== "AbortError") said.textContent = `The chart could not be drawn: ${error.message}. The figures stay as they were.`;
      } finally {
        if (abort === mine) figure.classList.remove("busy");
      }
    }
    function go(from, to, isSoon = false) {
      const wide = Math.max(LEAST_SPAN_S, to - from), end = Math.min((from + to + wide) / 2, now());  // never the future
      span = [Math.max(0, Math.floor(end - wide)), Math.ceil(end)];
      follows = span[1] >= Math.floor(now()) - 1;
      figure.dataset.follows = follows ? "1" : "0";
      for (const button of document.querySelectorAll("[data-for=series] [data-span]")) {
        const seconds = Number(button.dataset.span) || now() - first;
        button.setAttribute("aria-pressed", String(Math.abs(span[1] - span[0] - seconds) < seconds * 0.01));
      }
      clearTimeout(timer);
      timer = setTimeout(fetchSpan, isSoon ? 180 : 0);
    }
    function listen() {
      box.on("plotly_relayout", (change) => {
        if (isDrawing) return;
        const from = change["xaxis.range[0]"], to = change["xaxis.range[1]"];
        if (from && to) go(on.back(from), on.back(to), true);
      });
      box.on("plotly_doubleclick", () => go(first, now()));
    }
    const controls = document.querySelector("[data-for=series]");
    controls.addEventListener("click", (event) => {
      const button = event.target.closest("button"), wide = span[1] - span[0];
      if (!button) return;
      if (button.dataset.span !== undefined) {
        const seconds = Number(button.dataset.span);
        go(seconds ? now() - seconds : first, now());  // "6 hours" are the last six
      } else if (button.dataset.toNow !== undefined) go(now() - wide, now());
      else if (button.dataset.move) go(span[0] + button.dataset.move * wide / 2, span[1] + button.dataset.move * wide / 2, true);
      else if (button.dataset.zoom) {
        const wanted = Math.min(wide * button.dataset.zoom, (now() - first) * 1.1), middle = (span[0] + span[1]) / 2;
        if (follows) go(now() - wanted, now(), true);
        else go(middle - wanted / 2, middle + wanted / 2, true);
      }
    });
    document.addEventListener("lookchange", draw);
    go(span[0], span[1]);
    setInterval(() => {                                 // a trend that ends at now goes on with it
      if (follows && !document.hidden && !box.matches(":active") && !document.body.classList.contains("service-gone")) go(now() - (span[1] - span[0]), now());
    }, 1000 * Math.min(60, Math.max(10, Number(data.step))));
  }

  // ---- figures that are not over time --------------------------------------------------------------------------
  const FIGURES = {
    droop(found, c, unit) {
      const d = found.droop;
      if (d.why_not) return d.why_not;
      const open = d.flow_lps.map((q, i) => q > found.closed.cutoff_lps ? i : -1).filter((i) => i >= 0);  // shut is not regulating
      if (!open.length) return "No water flowed in this span.";
      const x = scaled(open.map((i) => d.flow_lps[i]), unit.kf), y = scaled(open.map((i) => d.outlet_kpa[i]), unit.kp), newest = d.times_s.at(-1);
      const isNew = open.map((i) => d.times_s[i] > newest - 86400);
      const pick = (values, wanted) => values.filter((_, i) => isNew[i] === wanted);
      const dots = (wanted, name, symbol, colour) => ({ x: pick(x, wanted), y: pick(y, wanted), type: "scatter", mode: "markers", name,
        marker: { size: 5, symbol, color: colour, line: { width: 1, color: colour } }, hovertemplate: `%{x:.${unit.df}f} ${unit.flow}, %{y:.${unit.dp}f} ${unit.pressure}<extra>${name}</extra>` });
      const traces = [dots(false, "before", "circle-open", faint(c.edge, 0.8)), dots(true, "last 24 h of the span", "x-thin", c.ink)];
      if (d.learned_flow_lps.length) traces.push({ ...line(scaled(d.learned_flow_lps, unit.kf), scaled(d.learned_outlet_kpa, unit.kp), c.ink, "learned", "y", { line: { dash: "dash", width: 2.4 } }), showlegend: true });
      const bins = [];
      const top = Math.max(...x), n = 8;
      for (let i = 0; i < n && top > 0; i++) {
        const inside = y.filter((_, k) => x[k] >= top * i / n && (x[k] < top * (i + 1) / n || i === n - 1)).sort((a, b) => a - b);
        if (inside.length) bins.push([`${(top * i / n).toFixed(unit.df)} to ${(top * (i + 1) / n).toFixed(unit.df)}`, inside[inside.length >> 1].toFixed(unit.dp), String(inside.length)]);
      }
      return { traces, layout: { xaxis: axis(c, `Flow, ${unit.flow}`, { rangemode: "tozero" }), yaxis: axis(c, `Outlet, ${unit.pressure}`), showlegend: innerWidth >= 600, legend: { orientation: "h", y: 1.16, x: 0 } },
        said: "While water flows. Open circles: before. Crosses: the last 24 hours of the span. Dashed: learned.", head: [`Flow, ${unit.flow}`, `Outlet, ${unit.pressure}, middle value`, "Readings"], rows: bins };
    },
    nights(found, c, unit, at) {
      const d = found.nights;
      if (!d || d.why_not) return d ? d.why_not : "Nothing to show.";
      const traces = d.periods.map((p, i) => {
        const isLast = i === d.periods.length - 1;
        return { ...line(p.minutes, scaled(p.outlet_kpa, unit.kp), isLast ? c.ink : faint(c.edge, 0.75), at.words(p.from_s), "y",
          { line: { width: isLast ? 2.6 : 1.2 }, hover: `%{y:.${unit.dp}f} ${unit.pressure}<extra>${at.words(p.from_s)}</extra>` }) };
      });
      const shapes = d.lock_up_kpa === null ? [] : [{ type: "line", xref: "paper", x0: 0, x1: 1, yref: "y", y0: d.lock_up_kpa * unit.kp, y1: d.lock_up_kpa * unit.kp, line: { dash: "dash", color: c.soft, width: 1.6 } }];
      const notes = d.lock_up_kpa === null ? [] : [{ xref: "paper", x: 1, xanchor: "right", y: d.lock_up_kpa * unit.kp, yanchor: "bottom", text: "learned lock-up", showarrow: false, font: { color: c.soft } }];
      return { traces, layout: { xaxis: axis(c, "Minutes since the flow stopped", { rangemode: "tozero" }), yaxis: axis(c, `Outlet, ${unit.pressure}`), shapes, annotations: notes },
        said: `${d.periods.length} closed periods, the last one thick. A line that climbs is creep.`,
        head: ["Flow stopped", "Length", `First, ${unit.pressure}`, "Last", "Highest"],
        rows: d.periods.map((p) => [at.words(p.from_s), lengthWords(p.to_s - p.from_s), shown(p.first_kpa * unit.kp, unit.dp), shown(p.last_kpa * unit.kp, unit.dp), shown(p.highest_kpa * unit.kp, unit.dp)]) };
    },
    swing(found, c, unit, at) {
      const d = found.oscillation;
      if (d.why_not) return d.why_not;
      const on = at.axisClock(d.times_s[0], d.times_s.at(-1)), x = d.times_s.map(on.local), minutes = d.period_s.map((s) => s / 60), size = scaled(d.amplitude_kpa, unit.kp);
      const traces = [line(x, scaled(d.outlet_kpa, unit.kp), c.ink, "outlet", "y", { hover: `%{y:.${unit.dp}f} ${unit.pressure}<extra></extra>` }),
        { ...line(minutes, size, c.ink, "swing", "y2", { hover: `%{y:.${unit.dp}f} ${unit.pressure} at a period of %{x:.3g} min<extra></extra>` }), xaxis: "x2" }];
      const best = d.strongest_s === null ? "" : `The strongest swing has ${(d.strongest_kpa * unit.kp).toPrecision(2)} ${unit.pressure} either way at a period of ${lengthWords(d.strongest_s)}. `;
      const order = size.map((v, i) => [v, i]).sort((a, b) => b[0] - a[0]).slice(0, 10);
      return { traces, layout: { xaxis: { type: "date", tickformatstops: STOPS, anchor: "y", gridcolor: c.line, linecolor: c.edge, fixedrange: true, nticks: 4, title: { text: "Time", standoff: 2 } }, yaxis: axis(c, `Outlet, ${unit.pressure}`, { domain: [0.62, 1], nticks: 3 }),
          xaxis2: axis(c, "Period, min", { type: "log", anchor: "y2", nticks: 6 }), yaxis2: axis(c, `Swing, ${unit.pressure}`, { domain: [0, 0.38], rangemode: "tozero", nticks: 3 }) },
        said: `${best}Above: the stretch in which the outlet moved most${on.kept ? `, by ${on.kept} throughout` : ""}. Periods below ${lengthWords(d.shortest_s)} cannot be seen at this sampling.`,
        head: ["Period", `Swing either way, ${unit.pressure}`], rows: order.map(([v, i]) => [lengthWords(d.period_s[i]), v.toFixed(unit.dp + 1)]) };
    },
  };
  function figureCharts(group, series) {
    const boxes = [...group.querySelectorAll("[data-chart=figure]")], set = series.dataset, at = clock(set.zone);
    const unit = { pressure: set.pressure, flow: set.flow, kp: Number(set.pressureFactor), kf: Number(set.flowFactor), dp: Number(set.pressureDecimals), df: Number(set.flowDecimals) };
    let found = null, timer = 0, abort = null, lib = null;
    function draw() {
      if (!found) return;
      const c = colours();
      for (const figure of boxes) {
        const box = figure.querySelector(".chart-box"), caption = figure.querySelector("figcaption"), kind = figure.dataset.kind;
        const result = FIGURES[kind](found, c, unit, at);
        const table = document.querySelector(`[data-table=${kind}]`);
        if (typeof result === "string") {
          caption.textContent = result;
          lib.purge(box);
          box.hidden = true;
          table.tBodies[0].replaceChildren();
          figure.dataset.drawn = "0";
          continue;
        }
        box.hidden = false;
        lib.react(box, result.traces, frame(c, { hovermode: "closest", dragmode: false, autosize: true, ...result.layout }), SETTINGS)
          .then(() => lib.Plots.resize(box));
        caption.textContent = result.said;
        table.tHead.replaceChildren(row(result.head, "th"));
        table.tBodies[0].replaceChildren(...result.rows.map((cells) => row(cells)));
        figure.dataset.drawn = String(result.traces.length);
      }
    }
    async function fetchFigures(span) {
      abort?.abort();
      abort = new AbortController();
      const from = Math.max(span[0], span[1] - FIGURE_SPAN_S);
      try {
        const query = `from=${Math.floor(from)}&to=${Math.ceil(span[1])}`;
        const [shape, nights, library] = await Promise.all([ask(`${set.url.replace(/series$/, "figures")}?${query}`, abort.signal), ask(`${group.dataset.nights}?${query}`, abort.signal), load()]);
        found = { ...shape, nights };
        lib = library;
        draw();
      } catch (error) {
        if (error.name !== "AbortError") for (const figure of boxes) figure.querySelector("figcaption").textContent = `Could not be drawn: ${error.message}.`;
      }
    }
    document.addEventListener("spanshown", (event) => {
      clearTimeout(timer);
      timer = setTimeout(() => fetchFigures(event.detail), found ? 700 : 0);
    });
    document.addEventListener("lookchange", draw);
  }

  const series = document.getElementById("series");
  if (!series) return;
  const group = document.querySelector("[data-nights]");
  if (group) figureCharts(group, series);
  seriesChart(series);
})();
