"use strict";
// Reads a bar to whoever points at it or walks to it, and follows a solve. Without it: titles, tables, and a reload every 5 s.
(() => {
  const box = document.getElementById("chart-box");
  const card = document.getElementById("card");
  const bars = box ? [...box.querySelectorAll(".body [class] > title")].map((title) => title.parentNode) : [];
  const rowOf = new Map(bars.map((bar) => [bar, bar.closest("g.row, g.dues")]));
  const runOf = (bar) => (/^(R\d+)\b/.exec(bar.firstElementChild.textContent) || [])[1];
  let marked = [];

  function tell(bar) {
    marked.forEach((one) => one.classList.remove("same"));
    const run = runOf(bar);
    marked = run ? bars.filter((one) => runOf(one) === run) : [bar];
    marked.forEach((one) => one.classList.add("same"));
    card.hidden = false;
    card.textContent = bar.firstElementChild.textContent;
  }

  function walkTo(bar) {
    bar.setAttribute("tabindex", "-1");
    bar.setAttribute("role", "img");
    bar.setAttribute("aria-label", bar.firstElementChild.textContent);
    bar.focus();
    bar.scrollIntoView({ block: "nearest", inline: "center" });
    tell(bar);
  }

  function middle(bar) {
    const frame = bar.getBBox();
    return frame.x + frame.width / 2;
  }

  // The bar of the next or previous lane that lies nearest in time.
  function across(bar, step) {
    const at = bars.indexOf(bar);
    for (let other = at + step; bars[other]; other += step) {
      if (rowOf.get(bars[other]) === rowOf.get(bar)) continue;
      const lane = bars.filter((one) => rowOf.get(one) === rowOf.get(bars[other]));
      const x = middle(bar);
      return lane.reduce((best, one) => (Math.abs(middle(one) - x) < Math.abs(middle(best) - x) ? one : best));
    }
    return bar;
  }

  function walk(event) {
    const here = bars.includes(document.activeElement) ? document.activeElement : null;
    const at = bars.indexOf(here);
    const steps = {
      ArrowRight: () => bars[at + 1], ArrowLeft: () => bars[at - 1], Home: () => bars[0], End: () => bars[bars.length - 1],
      ArrowDown: () => (here ? across(here, 1) : bars[0]), ArrowUp: () => (here ? across(here, -1) : bars[0]),
    };
    if (here && event.key === "Enter" && runOf(here) && document.getElementById(runOf(here))) location.hash = runOf(here);
    if (here && event.key === "Escape") box.focus();
    const next = steps[event.key] && !event.ctrlKey && !event.metaKey && !event.altKey ? steps[event.key]() : null;
    if (next) {
      event.preventDefault();
      walkTo(next);
    }
  }

  if (box) {
    box.addEventListener("pointerover", (event) => bars.includes(event.target) && tell(event.target));
    box.addEventListener("keydown", walk);
  }

  // The plot: the rows of the table of stages as two stepped lines.
  const SVG = "http://www.w3.org/2000/svg";
  const plot = document.getElementById("plot");
  const rows = document.querySelector("#stages tbody");

  function put(parent, name, attributes, text) {
    const made = parent.appendChild(document.createElementNS(SVG, name));
    Object.entries(attributes).forEach(([key, value]) => made.setAttribute(key, value));
    if (text) made.textContent = text;
    return made;
  }

  function points(column) {
    return [...rows.rows].map((row) => [Number(row.cells[0].textContent), parseFloat(row.cells[column].textContent)])
      .filter((point) => point.every(Number.isFinite));
  }

  function stepped(line, x, y, end) {
    const first = `M${x(line[0][0])} ${y(line[0][1])}`;
    return first + line.slice(1).map((point) => `H${x(point[0])}V${y(point[1])}`).join("") + `H${end}`;
  }

  function draw() {
    const lines = [points(2), points(3)];
    const all = lines.flat();
    plot.replaceChildren();
    if (!lines[0].length) return;
    const last = Math.max(...all.map((point) => point[0]), 1);
    const top = Math.max(...all.map((point) => point[1]), 1);
    const x = (seconds) => (70 + (520 * seconds) / last).toFixed(1);
    const y = (value) => (150 - (135 * value) / top).toFixed(1);
    const gap = rows.rows[rows.rows.length - 1].cells[4].textContent;
    const best = lines[0][lines[0].length - 1][1];
    const words = `Score and bound over ${Math.round(last)} seconds: ${best.toLocaleString("en")} points now` + (gap ? `, gap ${gap}` : "");
    const svg = put(plot, "svg", { viewBox: "0 0 700 185", role: "img", "aria-label": words });
    put(svg, "path", { class: "axis", d: "M70 8V150H590" });
    put(svg, "text", { x: 64, y: 20, "text-anchor": "end" }, Math.round(top).toLocaleString("en"));
    put(svg, "text", { x: 64, y: 150, "text-anchor": "end" }, "0");
    put(svg, "text", { x: 590, y: 168, "text-anchor": "end" }, `${Math.round(last)} s`);
    put(svg, "text", { x: 70, y: 168 }, words);
    ["score-line", "bound-line"].forEach((name, at) => {
      if (!lines[at].length) return;
      put(svg, "path", { class: name, d: stepped(lines[at], x, y, 590) });
      const ends = lines[at][lines[at].length - 1][1];
      put(svg, "text", { x: 596, y: Number(y(ends)) + (at ? 11 : -3) }, `${at ? "bound" : "score"} ${Math.round(ends).toLocaleString("en")}`);
    });
  }

  function note(progress) {
    if (typeof progress.score !== "number" && typeof progress.bound !== "number") return;
    const row = rows.insertRow();
    const number = (value, digits) => (typeof value === "number" ? value.toFixed(digits) : "");
    const gap = typeof progress.gap === "number" ? `${Math.round(100 * progress.gap)}%` : "";
    [number(progress.seconds, 1), progress.stage || "", number(progress.score, 1), number(progress.bound, 1), gap].forEach((text) => {
      row.insertCell().textContent = text;
    });
    draw();
  }

  if (plot) draw();
  const state = document.getElementById("state");
  if (!state || !["waiting", "solving"].includes(state.dataset.status)) return;

  const again = () => location.reload();
  // A signed link opens this page and no events.
  if (!state.dataset.events) return void setTimeout(again, 5000);
  const events = new EventSource(state.dataset.events);
  events.addEventListener("progress", (event) => note(JSON.parse(event.data)));
  events.addEventListener("improved", (event) => {
    if (!box) return again();
    note(JSON.parse(event.data));
    state.textContent = "a better plan was found; ";
    const link = state.appendChild(document.createElement("a"));
    link.href = location.href;
    link.textContent = "show it";
  });
  ["ready", "failed", "stopped", "deleted"].forEach((name) => events.addEventListener(name, again));
  // A service that tells no events is asked again instead.
  events.addEventListener("error", () => events.readyState === EventSource.CLOSED && setTimeout(again, 5000));
})();
