"use strict";
// Puts a chart that can be moved in the place of each drawing that comes into view. All charts of the page show the
// same range: arrows move it, plus and minus change its width, fingers drag and pinch. The server thins the readings
// to the width of the screen, so nothing is lost that a pixel could show.
(() => {
  const { plot: PLOT, look: LOOK } = document.currentScript.dataset;
  const LONGEST_S = 366 * 86400, SHORTEST_S = 60, WAIT_MS = 150, PATTERNS = [[], [], [7, 4], [2, 4], [12, 3, 2, 3], [12, 6], [], [1, 6]];
  const WIDTHS = [1.6, 2.4, 1.6, 2.4, 1.6, 1.6, 3.2, 3.2];
  const MINUTES = [1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200].map((m) => m * 60);
  const charts = [];
  let loading = null, range = null, timer = null, asked = 0;

  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const clampTo = (value, low, high) => Math.min(Math.max(value, low), high);

  function library() {
    loading ||= new Promise((done, failed) => {
      const css = document.createElement("link");
      css.rel = "stylesheet"; css.href = LOOK;
      const script = document.createElement("script");
      script.src = PLOT; script.onload = done; script.onerror = failed;
      document.head.append(css, script);
    });
    return loading;
  }

  function clock({ zone, locale, clock: hours }) {
    const to = (options) => new Intl.DateTimeFormat(locale, { timeZone: zone, hourCycle: hours === 12 ? "h12" : "h23", ...options });
    const day = to({ day: "numeric", month: "short" }), hour = to({ hour: "2-digit", minute: "2-digit" });
    const second = to({ hour: "2-digit", minute: "2-digit", second: "2-digit" });
    const full = to({ day: "numeric", month: "short", year: "numeric", hour: "2-digit", minute: "2-digit" });
    return {
      full: (s) => full.format(s * 1000),
      axis: (splits, step) => splits.map((s) => (step >= 86400 ? day : step >= 60 ? hour : second).format(s * 1000)),
    };
  }

  function figures(value, { unit, locale, us }) {
    if (value === null || value === undefined) return "not known";
    const write = (number, most = 4) => number.toLocaleString(locale, { maximumSignificantDigits: most, useGrouping: false });
    if (unit === "share") return `${write(value * 100, 3)} %`;
    if (unit === "s") return `${write(value / 60)} min`;
    if (unit === "°C" && us) return `${write(value * 1.8 + 32)} °F`;
    return `${write(value)} ${unit}`;
  }

  // Every row of null is a gap: the library connects what is merely missing at another line's moment, never over null.
  function table(answers) {
    return uPlot.join(answers.map((a) => [a.rows.map((r) => r[0]), a.rows.map((r) => r[1])]), answers.map(() => [0, 2]));
  }

  function under(u, told) {
    const { ctx, bbox } = u, low = bbox.top + bbox.height, high = 9 * devicePixelRatio;
    const fills = { printing: "--edge", heating: "--edge", paused: "--odd", fault: "--danger", waiting: "--act", cooling: "--hair", idle: "--inset", off: "--inset" };
    ctx.save();
    ctx.beginPath(); ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height); ctx.clip();
    for (const [from, to, state] of told.bands) {
      const x = u.valToPos(from, "x", true), wide = u.valToPos(to, "x", true) - x;
      if (!fills[state] || x + wide < bbox.left || x > bbox.left + bbox.width) continue;
      ctx.fillStyle = colour(fills[state]);
      ctx.fillRect(x, low - high, Math.max(wide, 1), high);
    }
    ctx.lineWidth = 1.5 * devicePixelRatio;
    for (const [at, kind] of told.marks) {
      const x = u.valToPos(at, "x", true);
      ctx.strokeStyle = colour({ alarm: "--odd-line", outage: "--danger" }[kind] || "--edge");
      ctx.setLineDash(kind === "outage" ? [] : [3 * devicePixelRatio, 3 * devicePixelRatio]);
      ctx.beginPath(); ctx.moveTo(x, bbox.top); ctx.lineTo(x, low); ctx.stroke();
    }
    ctx.restore();
  }

  function build(chart) {
    const { told, place, when } = chart;
    const wide = Math.max(280, place.clientWidth), text = colour("--quiet"), hair = colour("--hair");
    const axis = { stroke: text, grid: { stroke: hair, width: 1 }, ticks: { stroke: hair, width: 1 }, font: "12px system-ui, sans-serif" };
    chart.u?.destroy();
    place.replaceChildren();
    chart.u = new uPlot({
      width: wide, height: 200, legend: { show: false }, tzDate: (s) => uPlot.tzDate(new Date(s * 1000), told.zone),
      cursor: { drag: { x: false, y: false, setScale: false }, points: { size: 6 } },
      scales: { x: { time: true, auto: false, range: () => [range.start, range.end] }, y: { range: (_u, low, high) => upright(low, high) } },
      axes: [{ ...axis, values: (_u, splits, _a, _s, step) => when.axis(splits, step) },
        { ...axis, size: (_u, values) => Math.max(44, 20 + 7 * Math.max(0, ...(values || []).map((v) => v.length))), incrs: told.unit === "s" ? MINUTES : undefined, values: (_u, splits) => splits.map((v) => figures(v, told)) }],
      series: [{}, ...told.series.map((_s, at) => ({
        stroke: colour([1, 3, 5, 7].includes(at) ? "--mute" : "--text"), width: WIDTHS[at], dash: PATTERNS[at], spanGaps: false, points: { show: false },
      }))],
      hooks: { drawClear: [(u) => under(u, told)], setCursor: [(u) => tell(chart, u)] },
    }, chart.data, place);
  }

  function upright(low, high) {
    if (low === null || low === undefined) return [0, 1];
    const zero = low >= 0 && low <= 0.7 * high ? 0 : low;
    const room = (high - zero || Math.abs(high) || 1) * 0.06;
    return [zero === 0 ? 0 : zero - room, high + room];
  }

  function tell(chart, u) {
    const at = u.cursor.idx;
    if (at === null || at === undefined) { chart.told_at.textContent = ""; return; }
    const words = chart.told.series.map(([subject], n) => `${"ABCDEFGH"[n]} ${figures(u.data[n + 1][at], chart.told)}`);
    chart.told_at.textContent = `${chart.when.full(u.data[0][at])}: ${words.join(", ")}`;
  }

  async function load(chart) {
    const ticket = chart.ticket = ++asked, { told } = chart, points = Math.min(5000, 4 * Math.max(280, chart.place.clientWidth));
    const wanted = told.series.map(async ([subject, quantity]) => {
      const query = new URLSearchParams({ subject, quantity, start: range.start.toFixed(3), end: range.end.toFixed(3), points });
      const answer = await fetch(`/api/v1/series?${query}`);
      if (!answer.ok) throw new Error(`the server answers ${answer.status}`);
      return answer.json();
    });
    try {
      const answers = await Promise.all(wanted);
      if (chart.ticket !== ticket) return; // another range has been asked for since
      chart.data = table(answers);
      const why = answers.map((a) => a.why).filter(Boolean);
      const step = Math.max(...answers.map((a) => a.step_s));
      chart.note.textContent = [why.length === answers.length ? why[0] : "", step ? `Drawn from summaries of ${step / 60} min.` : ""].join(" ").trim();
      // An empty frame says nothing that the words below do not; but one that is being moved stays under the finger.
      const bare = !chart.u && answers.every((a) => a.rows.every((r) => r[1] === null));
      chart.figure.classList.toggle("bare", bare);
      if (chart.u) chart.u.setData(chart.data); else if (!bare) build(chart);
    } catch (error) {
      if (chart.ticket === ticket) chart.note.textContent = `No readings: ${error.message}.`;
    }
  }

  function go(start, end) {
    const wide = clampTo(end - start, SHORTEST_S, LONGEST_S), middle = (start + end) / 2;
    const last = Date.now() / 1000 + 60;
    range = { start: middle - wide / 2, end: middle + wide / 2 };
    if (range.end > last) range = { start: range.start - (range.end - last), end: last };
    for (const chart of charts) {
      chart.u?.redraw();
      if (chart.u) chart.u.setScale("x", { min: range.start, max: range.end });
      chart.words.textContent = `${chart.when.full(range.start)} to ${chart.when.full(range.end)}`;
    }
    clearTimeout(timer);
    timer = setTimeout(() => { for (const chart of charts) load(chart); }, WAIT_MS);
  }

  const move = (share) => { const by = (range.end - range.start) * share; go(range.start + by, range.end + by); };
  const zoom = (factor, at = 0.5) => {
    const wide = range.end - range.start, still = range.start + wide * at;
    go(still - wide * factor * at, still + wide * factor * (1 - at));
  };
  const KEYS = { ArrowLeft: () => move(-0.25), ArrowRight: () => move(0.25), "+": () => zoom(0.5), "-": () => zoom(2), "=": () => zoom(0.5) };

  function fingers(place) {
    const down = new Map();
    let before = null;
    const spread = () => { const [a, b] = [...down.values()]; return { middle: b === undefined ? a : (a + b) / 2, wide: b === undefined ? 0 : Math.abs(a - b) }; };
    place.addEventListener("pointerdown", (event) => { down.set(event.pointerId, event.offsetX); before = spread(); place.setPointerCapture(event.pointerId); });
    place.addEventListener("pointermove", (event) => {
      if (!down.has(event.pointerId)) return;
      down.set(event.pointerId, event.offsetX);
      const now = spread(), long = place.clientWidth || 1;
      if (before.wide > 20 && now.wide > 20) zoom(before.wide / now.wide, now.middle / long);
      if (Math.abs(now.middle - before.middle) > 1) move((before.middle - now.middle) / long);
      before = now;
    });
    for (const end of ["pointerup", "pointercancel"]) place.addEventListener(end, (event) => { down.delete(event.pointerId); before = down.size ? spread() : null; });
    place.addEventListener("wheel", (event) => {
      if (!event.ctrlKey && !event.shiftKey) return; // a wheel alone scrolls the page
      event.preventDefault();
      zoom(event.deltaY > 0 ? 1.25 : 0.8, event.offsetX / (place.clientWidth || 1));
    }, { passive: false });
  }

  function controls() {
    const bar = document.querySelector(".ranges");
    const make = (sign, words, act) => {
      const button = document.createElement("button");
      button.type = "button"; button.textContent = sign; button.setAttribute("aria-label", words);
      button.addEventListener("click", act);
      return button;
    };
    bar?.append(make("←", "Earlier", () => move(-0.5)), make("→", "Later", () => move(0.5)), make("+", "Closer", () => zoom(0.5)), make("−", "Wider", () => zoom(2)));
  }

  async function raise(figure) {
    const told = JSON.parse(figure.dataset.chart), place = figure.querySelector(".plot");
    const chart = { told, place, figure, when: clock(told), words: figure.querySelector("figcaption .span-words"), ticket: 0, data: null, u: null };
    chart.note = document.createElement("p"); chart.told_at = document.createElement("p");
    chart.note.setAttribute("role", "status"); chart.told_at.className = chart.note.className = "span-words";
    place.after(chart.told_at, chart.note);
    if (!range) range = { start: told.start, end: told.end };
    try { await library(); } catch { chart.note.textContent = "The chart's script did not come; the drawing stands."; return; }
    charts.push(chart);
    fingers(place);
    figure.addEventListener("keydown", (event) => {
      const act = KEYS[event.key];
      if (!act || event.ctrlKey || event.altKey || event.metaKey) return;
      event.preventDefault(); act();
    });
    await load(chart);
    figure.dataset.ready = "1";
  }

  const seen = new IntersectionObserver((entries) => {
    for (const { isIntersecting, target } of entries) if (isIntersecting) { seen.unobserve(target); raise(target); }
  }, { rootMargin: "200px" });
  for (const figure of document.querySelectorAll("figure[data-chart]")) seen.observe(figure);
  if (document.querySelector("figure[data-chart]")) controls();
  let width = innerWidth;
  const again = () => { for (const chart of charts) if (chart.data) build(chart); };
  addEventListener("resize", () => { if (innerWidth !== width) { width = innerWidth; again(); } });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", again);
})();
