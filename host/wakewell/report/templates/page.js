"use strict";
(function () {
  const specs = JSON.parse(document.getElementById("specs").textContent);
  const texts = JSON.parse(document.getElementById("texts").textContent);
  const packed = JSON.parse(document.getElementById("data").textContent);
  const plain = { mode: "vega", renderer: "svg", actions: false, tooltip: false, hover: false, defaultStyle: false };
  const views = {}, rows = {};
  const DAY = 86400000;
  // Times arrive as wall time: shown as they are, whatever this browser's own zone
  const language = document.documentElement.lang, english = language === "en";
  const date = new Intl.DateTimeFormat(english ? "en-GB" : language, { timeZone: "UTC", weekday: "short", day: "numeric", month: "long", year: "numeric" });

  function unpack(columns) {
    const names = columns[0];
    const out = [];
    const sums = names.map(() => 0);
    const count = names.length ? columns[1].length : 0;
    for (let i = 0; i < count; i += 1) {
      const row = {};
      names.forEach((name, j) => {
        let value = columns[j + 1][i];
        if (name === "t" || name === "u" || name === "m") { sums[j] += value; value = sums[j] * 60000; }
        row[name] = value;
      });
      out.push(row);
    }
    return out;
  }

  function say(name, values) { return texts[name].replace(/\{(\w+)\}/g, (_, key) => values[key]); }

  function number(value) { return english ? String(value) : value.toLocaleString(language); }

  function day(ms) {
    if (document.body.dataset.undated !== undefined) { return say("day", { day: Math.floor(ms / DAY) + 1 }); }
    const text = date.format(new Date(ms));
    return english ? text.replace(/^(\w+), /, "$1 ") : text;
  }

  function when(ms) { return day(ms) + ", " + new Date(ms).toISOString().slice(11, 16); }

  const charts = Array.from(document.querySelectorAll(".chart[data-chart]"));
  const strip = document.getElementById("overview");
  const OPENS = Number(document.body.dataset.opens) * DAY;
  let whole = [0, 1], shown = [0, 1], at = null, strips = null, end = 0;
  // How far a picture goes on after the last record: the forecasts of tank and battery
  const ahead = {};

  function nearest(list, ms) {
    let low = 0, high = list.length - 1;
    if (high < 0) { return null; }
    while (low < high) {
      const middle = (low + high) >> 1;
      if (list[middle].t < ms) { low = middle + 1; } else { high = middle; }
    }
    return low > 0 && ms - list[low - 1].t < list[low].t - ms ? list[low - 1] : list[low];
  }

  function points(key) {
    const sets = rows[key];
    if (key === "doses") { return views.doses.signal("wide") ? sets.weeks : sets.doses; }
    if (key === "events") { return sets.bars.concat(sets.marks).sort((a, b) => a.t - b.t); }
    return sets.line.filter((row) => row.v !== null).concat(sets.bad).sort((a, b) => a.t - b.t);
  }
  const pointCache = {};

  function read(key) {
    if (key === "doses") { return points(key); }
    return pointCache[key] || (pointCache[key] = points(key));
  }

  function tell(key, ms) {
    const out = document.getElementById("read-" + key);
    if (ms === null) { out.textContent = ""; return; }
    const gap = rows[key].gaps.find((g) => ms > g.t && ms < g.u);
    if (gap) { out.textContent = say("gap", { date: when(ms) }); return; }
    const row = nearest(read(key), ms);
    if (row === null) { out.textContent = ""; return; }
    const then = { date: when(row.t) };
    let text;
    if (row.n !== undefined) {
      text = say("week", { date: day(row.t), ml: row.v, count: row.n });
      if (row.x) { text = say("cut", { what: text, count: row.x }); }
    } else if (key === "doses") {
      text = say("dose", { ...then, ml: row.v, planned: row.p, why: row.w });
      if (row.x) { text = say("stopped", { what: text, why: row.x }); }
    } else if (key === "events") { text = say("other", { ...then, what: row.w });
    } else if (row.v === undefined) { text = say("bad", { ...then, what: row.w });
    } else if (key === "tank" && document.body.dataset.float !== undefined) { text = say(row.v > 0 ? "up" : "down", then);
    } else { text = say(key, { ...then, value: number(row.v) }); }
    out.textContent = text;
  }

  function point(ms, key) {
    at = ms;
    charts.forEach((el) => views[el.dataset.chart].signal("at", at === null ? -1 : at).runAsync());
    if (key) { tell(key, ms); }
  }

  function show(from, to) {
    const width = Math.min(Math.max(to - from, 6 * 3600000), whole[1] - whole[0]);
    const start = Math.max(whole[0], Math.min(from, whole[1] - width));
    shown = [start, start + width];
    charts.forEach((el) => {
      // What comes is seen beside what was: to its middle, if that is not too far off for either
      const fan = rows[el.dataset.chart].fan, far = ahead[el.dataset.chart];
      const told = fan && fan.length && fan[fan.length - 1].m <= end + far;
      const more = shown[1] >= end ? Math.min(far, (told ? 3 : 0.35) * width) : 0;
      views[el.dataset.chart].signal("lo", shown[0]).signal("hi", shown[1] + more).run();
    });
    if (strips) { strips.signal("from", shown[0]).signal("to", shown[1]).runAsync(); }
    const first = day(Math.max(shown[0], rows.soil.span[0].t)), last = day(Math.min(shown[1], end));
    document.getElementById("shown").textContent = say("shown", { first, last });
  }

  // The last so many milliseconds of the record
  function recent(width) { show(end - width, end + width * 0.01); }

  function zoom(by, about) {
    const centre = about === undefined || about === null ? (shown[0] + shown[1]) / 2 : about;
    const part = (centre - shown[0]) / (shown[1] - shown[0]);
    const width = (shown[1] - shown[0]) * by;
    show(centre - part * width, centre + (1 - part) * width);
  }

  function timeAt(el, event) {
    const view = views[el.dataset.chart];
    const x = event.clientX - el.getBoundingClientRect().left - view.origin()[0];
    return view.scale("x").invert(x).valueOf();
  }

  function fit(el, view) {
    view.width(Math.max(220, el.clientWidth));
  }

  function listen(el) {
    const key = el.dataset.chart;
    let held = null;
    el.addEventListener("pointermove", (event) => {
      if (held) {
        const width = views[key].scale("x").range()[1];
        const by = (held.x - event.clientX) / width * (held.to - held.from);
        show(held.from + by, held.to + by);
      } else { point(timeAt(el, event), key); }
    });
    el.addEventListener("pointerdown", (event) => {
      if (event.button === 0) { held = { x: event.clientX, from: shown[0], to: shown[1] }; el.setPointerCapture(event.pointerId); }
    });
    el.addEventListener("pointerup", (event) => {
      // A tap reads a value, which stays until the next one: a finger does not hover
      if (held && Math.abs(event.clientX - held.x) < 8) { point(timeAt(el, event), key); }
      held = null;
    });
    el.addEventListener("pointercancel", () => { held = null; });
    el.addEventListener("pointerleave", (event) => {
      if (!held && event.pointerType !== "touch") { point(null); tell(key, null); }
    });
    el.addEventListener("dblclick", () => show(whole[0], whole[1]));
    el.addEventListener("wheel", (event) => {
      if (event.ctrlKey) { event.preventDefault(); zoom(event.deltaY > 0 ? 1.25 : 0.8, timeAt(el, event)); }
    }, { passive: false });
    el.addEventListener("keydown", (event) => {
      const list = read(key);
      const step = { ArrowLeft: -1, ArrowRight: 1, PageUp: -20, PageDown: 20 }[event.key];
      if (step && list.length) {
        let index = at === null ? list.length - 1 : list.indexOf(nearest(list, at)) + step;
        index = Math.max(0, Math.min(list.length - 1, index));
        const ms = list[index].t;
        if (ms < shown[0] || ms > shown[1]) { show(ms - (shown[1] - shown[0]) / 2, ms + (shown[1] - shown[0]) / 2); }
        point(ms, key);
      } else if (event.key === "+" || event.key === "=") { zoom(0.5, at);
      } else if (event.key === "-") { zoom(2, at);
      } else if (event.key === "0") { show(whole[0], whole[1]);
      } else if (event.key === "Escape") { point(null); tell(key, null);
      } else { return; }
      event.preventDefault();
    });
  }

  // The strip of the whole record: a press or a drag moves what the pictures show
  async function survey() {
    specs.overview.data.forEach((set) => { set.values = rows.soil[set.name]; });
    strips = (await vegaEmbed(strip, specs.overview, plain)).view;
    ["role", "aria-label", "aria-roledescription"].forEach((a) => strip.querySelectorAll("[" + a + "]").forEach((n) => n.removeAttribute(a)));
    ["role", "aria-roledescription", "aria-label"].forEach((a) => strip.removeAttribute(a));
    fit(strip, strips);
    await strips.runAsync();
    let held = false;
    const go = (event) => {
      const x = event.clientX - strip.getBoundingClientRect().left - strips.origin()[0];
      const ms = strips.scale("x").invert(x).valueOf(), half = (shown[1] - shown[0]) / 2;
      show(ms - half, ms + half);
    };
    strip.addEventListener("pointerdown", (event) => { held = true; strip.setPointerCapture(event.pointerId); go(event); });
    strip.addEventListener("pointermove", (event) => { if (held) { go(event); } });
    ["pointerup", "pointercancel"].forEach((name) => strip.addEventListener(name, () => { held = false; }));
  }

  async function start() {
    for (const el of charts) {
      const key = el.dataset.chart;
      rows[key] = {};
      Object.entries(packed.rows[key]).forEach(([name, columns]) => { rows[key][name] = unpack(columns); });
      specs[key].data.forEach((set) => { set.values = rows[key][set.name]; });
      const said = { role: el.getAttribute("role"), "aria-label": el.getAttribute("aria-label") };
      views[key] = (await vegaEmbed(el, specs[key], plain)).view;
      fit(el, views[key]);
      await views[key].runAsync();
      el.querySelectorAll("[role], [aria-label], [aria-roledescription]").forEach((n) => { ["role", "aria-label", "aria-roledescription"].forEach((a) => n.removeAttribute(a)); });
      // The drawing library writes its own over them
      el.removeAttribute("aria-roledescription");
      Object.entries(said).forEach(([name, text]) => el.setAttribute(name, text));
      listen(el);
    }
    if (charts.length) {
      const soil = views.soil;
      whole = [soil.signal("lo"), soil.signal("hi")];
      end = rows.soil.span[0].u;
      charts.forEach((el) => { ahead[el.dataset.chart] = views[el.dataset.chart].signal("hi") - whole[1]; });
      if (strip) { await survey(); }
      if (OPENS) { recent(OPENS); } else { show(whole[0], whole[1]); }
      document.querySelectorAll(".span button").forEach((button) => button.addEventListener("click", () => {
        const data = button.dataset;
        if (data.days === "0") { show(whole[0], whole[1]); }
        else if (data.days) { recent(data.days * DAY); }
        else if (data.move) { const by = data.move * (shown[1] - shown[0]); show(shown[0] + by, shown[1] + by); }
        else { zoom(Number(data.zoom)); }
      }));
      new ResizeObserver(() => {
        charts.forEach((el) => { fit(el, views[el.dataset.chart]); views[el.dataset.chart].runAsync(); });
        if (strips) { fit(strip, strips); strips.runAsync(); }
      }).observe(charts[0]);
    }
    document.querySelectorAll("details.wake").forEach((details) => {
      const draw = () => details.querySelectorAll(".run").forEach((el) => {
        if (!el.firstChild && details.open) {
          const spec = packed.runs[el.id];
          spec.width = Math.min(520, Math.max(220, el.clientWidth));
          const label = el.getAttribute("aria-label");
          vegaEmbed(el, spec, plain).then(() => {
            el.removeAttribute("aria-roledescription");
            el.setAttribute("role", "img");
            el.setAttribute("aria-label", label);
          });
        }
      });
      details.addEventListener("toggle", draw);
      draw();
    });
    document.body.dataset.drawn = "1";
  }
  start();
})();
