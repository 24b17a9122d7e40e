"use strict";

/* What is said to readers who do not see the page, and is not written on it. */
const announce = words => { document.getElementById("announced").textContent = words; };
const make = (name, properties = {}, ...contents) => {
  const made = Object.assign(document.createElement(name), properties);
  made.append(...contents);
  return made;
};
const label = (element, words) => { element.setAttribute("aria-label", words); return element; };
const counted = (count, noun) => `${count} ${noun}${count === 1 ? "" : "s"}`;

/* Light and dark. Without a choice the page follows the reader's system. */
const isDark = () => (document.documentElement.dataset.theme ||
  (matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "light")) === "dark";
const themeButton = make("button", { type: "button" });
const nameTheme = () => { themeButton.textContent = isDark() ? "light colours" : "dark colours"; };
themeButton.addEventListener("click", () => {
  document.documentElement.dataset.theme = isDark() ? "light" : "dark";
  nameTheme();
});
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", nameTheme);
nameTheme();
document.getElementById("controls").append(themeButton);

/* Tables: search, a choice in some columns, and sorting by the heads. */
const textOf = cell => cell.textContent.trim();
const keyOf = cell => cell.dataset.key === undefined ? null : Number(cell.dataset.key);
function compareCells(first, second) {
  const [one, other] = [keyOf(first), keyOf(second)];
  if (one !== null && other !== null) return one - other;
  if (one !== null || other !== null) return one !== null ? -1 : 1;
  return textOf(first).localeCompare(textOf(second), "en", { numeric: true });
}
function prepareTable(frame) {
  const table = frame.querySelector("table"), body = table.tBodies[0], rows = [...body.rows];
  const heads = [...table.tHead.rows[0].cells], noun = frame.dataset.noun, name = table.caption.textContent;
  const search = make("input", { type: "search" });
  const tools = make("div", { className: "tools" }, make("label", {}, `Search in: ${name}`, search));
  const choices = heads.map((head, column) => {
    if (!("filter" in head.dataset)) return null;
    const texts = [...new Set(rows.map(row => textOf(row.cells[column])))].sort((one, other) =>
      one.localeCompare(other, "en", { numeric: true }));
    if (texts.length < 2) return null;
    const choice = make("select", {}, make("option", { value: "", textContent: "all" }),
      ...texts.map(words => make("option", { value: `=${words}`, textContent: words })));
    tools.append(make("label", {}, head.textContent, choice));
    return choice;
  });
  const count = make("p", { className: "count" });
  count.setAttribute("role", "status");
  const contents = rows.map(row => row.textContent.toLowerCase());
  const show = () => {
    const words = search.value.toLowerCase().split(/\s+/).filter(Boolean);
    let shown = 0;
    rows.forEach((row, at) => {
      row.hidden = !(words.every(word => contents[at].includes(word)) &&
        choices.every((choice, column) => !choice || !choice.value || choice.value === `=${textOf(row.cells[column])}`));
      shown += !row.hidden;
    });
    count.textContent = shown === rows.length ? counted(shown, noun) : `${shown} of ${counted(rows.length, noun)} shown`;
  };
  search.addEventListener("input", show);
  choices.forEach(choice => choice && choice.addEventListener("change", show));
  heads.forEach((head, column) => {
    const title = head.textContent, button = make("button", { type: "button", textContent: title });
    head.replaceChildren(button);
    head.setAttribute("aria-sort", "none");
    button.addEventListener("click", () => {
      const order = head.getAttribute("aria-sort") === "ascending" ? "descending" : "ascending";
      heads.forEach(other => other.setAttribute("aria-sort", other === head ? order : "none"));
      const sign = order === "ascending" ? 1 : -1;
      rows.map((row, at) => [row, at]).sort(([one, first], [other, second]) =>
        sign * compareCells(one.cells[column], other.cells[column]) || first - second
      ).forEach(([row]) => body.append(row));
      announce(`${name}: sorted by ${title}, ${order}`);
    });
  });
  frame.prepend(tools, count);
  show();
}
document.querySelectorAll(".table").forEach(prepareTable);

/* Readings: which figures are shown. */
const readings = [...document.querySelectorAll("section.device .reading")];
if (readings.length > 1) {
  const search = make("input", { type: "search" }), flagged = make("input", { type: "checkbox" });
  const count = make("p", { className: "count" });
  count.setAttribute("role", "status");
  const show = () => {
    const words = search.value.toLowerCase().split(/\s+/).filter(Boolean);
    let shown = 0;
    for (const figure of readings) {
      const text = figure.querySelector("figcaption").textContent.toLowerCase();
      figure.hidden = !words.every(word => text.includes(word)) ||
        (flagged.checked && !figure.querySelector(".band.flag"));
      shown += !figure.hidden;
    }
    for (const part of document.querySelectorAll("section.device"))
      part.hidden = !part.querySelector(".reading:not([hidden])");
    count.textContent = `${shown} of ${counted(readings.length, "drawing")} shown`;
  };
  search.addEventListener("input", show);
  flagged.addEventListener("change", show);
  readings[0].closest("section.device").before(make("div", { className: "tools" },
    make("label", {}, "Search in: names of readings, messages and devices", search),
    make("label", { className: "inline" }, flagged, "only those with flags")), count);
  show();
}

/* The time that is shown, the same in every drawing of the page; in microseconds. */
const SECOND = 1e6, MOST_TICKS = 8, SHORTEST = 1000;
const timelines = [...document.querySelectorAll(".timeline")];
const whole = [Math.min(...timelines.map(one => Number(one.dataset.start))),
  Math.max(...timelines.map(one => Number(one.dataset.end)))];
let shown = [...whole];
const listeners = [];
const seconds = time => `${parseFloat((time / SECOND).toFixed(3))} s`;
function ticks() {
  const span = shown[1] - shown[0];
  let step = 1000;
  for (let at = 0; step * MOST_TICKS < span; at++) step *= [2, 2.5, 2][at % 3];
  const found = [];
  for (let time = Math.ceil(shown[0] / step) * step; time <= shown[1]; time += step) found.push(time);
  return found;
}
const share = time => 100 * (Math.min(Math.max(time, shown[0]), shown[1]) - shown[0]) / (shown[1] - shown[0]);
function placeAll() {
  const axis = ticks();
  for (const place of document.querySelectorAll(".ticks"))
    place.replaceChildren(...axis.map(time => {
      const tick = make("span", {}, make("b", { textContent: seconds(time) }));
      tick.style.left = `${share(time)}%`;
      return tick;
    }));
  for (const band of document.querySelectorAll(".band[data-since]")) {
    const since = Number(band.dataset.since), until = "until" in band.dataset ? Number(band.dataset.until) : whole[1];
    band.hidden = since > shown[1] || until < shown[0];
    band.style.left = `${share(since)}%`;
    band.style.width = `${share(until) - share(since)}%`;
  }
  const left = 1000 * (shown[0] - whole[0]) / (whole[1] - whole[0]);
  const width = 1000 * (shown[1] - shown[0]) / (whole[1] - whole[0]);
  for (const drawing of document.querySelectorAll(".canvas > svg"))
    drawing.setAttribute("viewBox", `${left} 0 ${width} 160`);
}
function showTime(start, end) {
  const span = Math.min(Math.max(end - start, SHORTEST), whole[1] - whole[0]);
  const from = Math.min(Math.max(Math.round(start), whole[0]), whole[1] - span);
  shown = [from, from + span];
  placeAll();
  listeners.forEach(listener => listener());
  const isWhole = shown[0] === whole[0] && shown[1] === whole[1];
  const words = `${seconds(shown[0])} to ${seconds(shown[1])}`;
  timeText.textContent = isWhole ? `whole log, ${words}` : words;
  announce(`Time shown: ${isWhole ? "the whole log, " : ""}${words}`);
}
const zoom = factor => {
  const middle = (shown[0] + shown[1]) / 2, half = (shown[1] - shown[0]) / 2 / factor;
  showTime(middle - half, middle + half);
};
const move = share => {
  const by = share * (shown[1] - shown[0]);
  showTime(shown[0] + by, shown[1] + by);
};
const STEPS = [
  ["+", "zoom in", ["+", "="], () => zoom(2)],
  ["\u2212", "zoom out", ["-", "_"], () => zoom(0.5)],
  ["\u2190", "earlier", ["ArrowLeft"], () => move(-0.25)],
  ["\u2192", "later", ["ArrowRight"], () => move(0.25)],
  ["all", "show the whole log", ["Home"], () => showTime(...whole)],
];
const KEYS_TEXT = "Keys: plus and minus zoom, left and right move, Home shows all.";
const timeText = make("span", { className: "time" });
if (timelines.length) {
  const buttons = STEPS.map(([sign, name, , step]) => {
    const button = label(make("button", { type: "button", textContent: sign, title: name }), name);
    button.addEventListener("click", step);
    return button;
  });
  const group = label(make("div", { className: "controls" }, "Time", ...buttons, timeText), `Time shown. ${KEYS_TEXT}`);
  group.setAttribute("role", "group");
  document.getElementById("controls").prepend(group);
  const onKey = event => {
    if (event.ctrlKey || event.altKey || event.metaKey || /^(INPUT|SELECT)$/.test(event.target.tagName)) return;
    const step = STEPS.find(([, , keys]) => keys.includes(event.key));
    if (step) { event.preventDefault(); step[3](); }
  };
  group.addEventListener("keydown", onKey);
  for (const drawing of [...timelines, ...document.querySelectorAll(".reading")]) {
    const name = drawing.matches(".timeline") ? "Presence of the devices" :
      drawing.querySelector("figcaption").textContent;
    label(drawing, `${name}. ${KEYS_TEXT}`).tabIndex = 0;
    drawing.setAttribute("role", "group");
    drawing.setAttribute("aria-keyshortcuts", "+ - ArrowLeft ArrowRight Home");
    drawing.addEventListener("keydown", onKey);
  }
  timeText.textContent = `whole log, ${seconds(whole[0])} to ${seconds(whole[1])}`;
  for (const problem of document.querySelectorAll(".problem[data-since]")) {
    const button = make("button", { type: "button", textContent: "show this time in the drawings" });
    button.addEventListener("click", () => {
      const since = Number(problem.dataset.since);
      const until = "until" in problem.dataset ? Number(problem.dataset.until) : whole[1];
      const around = Math.max((until - since) / 4, 10 * SECOND);
      showTime(since - around, until + around);
    });
    problem.append(button);
  }
}

/* Paper shows what is folded away. */
addEventListener("beforeprint", () => {
  for (const part of document.querySelectorAll("details:not([open])")) { part.open = true; part.dataset.folded = ""; }
});
addEventListener("afterprint", () => {
  for (const part of document.querySelectorAll("details[data-folded]")) {
    part.open = false;
    delete part.dataset.folded;
  }
});
