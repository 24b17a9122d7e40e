
/* The time that is shown, the same in every drawing of the page; in microseconds. */
const SECOND = 1e6, MOST_TICKS = 8, SHORTEST = 1000, HEIGHT = 160, MARGIN = 6, WIDTH = 1000, EDGE = 0.02;
const timelines = [...document.querySelectorAll(".timeline")];
const figures = [...document.querySelectorAll(".reading")];
const parts = [...document.querySelectorAll("[data-start]")];
const whole = [Math.min(...parts.map(one => Number(one.dataset.start))),
  Math.max(...parts.map(one => Number(one.dataset.end)))];
let shown = [...whole];
const isWhole = () => shown[0] === whole[0] && shown[1] === whole[1];
const seconds = time => `${parseFloat((time / SECOND).toFixed(3))} s`;
const share = time => (Math.min(Math.max(time, shown[0]), shown[1]) - shown[0]) / (shown[1] - shown[0]);
function ticks() {
  const span = shown[1] - shown[0], found = [];
  let step = 1000;
  for (let at = 0; step * MOST_TICKS < span; at++) step *= [2, 2.5, 2][at % 3];
  for (let time = Math.ceil(shown[0] / step) * step; time <= shown[1]; time += step) found.push(time);
  return found;
}
const placed = (element, name, part) => { element.style[name] = `${100 * part}%`; return element; };
function placeTicksAndBands() {
  const axis = ticks();
  for (const place of document.querySelectorAll(".ticks"))
    place.replaceChildren(...axis.map(time => placed(make("span",
      { className: share(time) < EDGE ? "edge" : "" }, make("b", { textContent: seconds(time) })), "left", share(time))));
  for (const band of document.querySelectorAll(".band[data-since]")) {
    const since = Number(band.dataset.since), until = "until" in band.dataset ? Number(band.dataset.until) : whole[1];
    band.hidden = since > shown[1] || until < shown[0];
    placed(placed(band, "left", share(since)), "width", share(until) - share(since));
  }
}

/* Lines. Until its points are unpacked, a figure has the line that it came with, which is stretched to the time shown;
   then the line is drawn again from all its points, as high as what is shown of it. */
const stored = new Map();
const sums = numbers => { let sum = 0; return numbers.map(number => sum += number); };
async function unpack() {
  const packed = document.getElementById("points").textContent;
  const bytes = Uint8Array.from(atob(packed), letter => letter.charCodeAt(0));
  const opened = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"));
  for (const channel of JSON.parse(await new Response(opened).text()))
    for (const reading of channel.readings) stored.set(reading.id, readingOf(reading, channel.started));
}

/* A reading as points; one whose height is null ends the line: it has no value, or its device sent nothing. */
function readingOf({ times, raws, scale: [factor, offset, divisor], decimals, unit, labels, levels, states, gaps }, started) {
  const value = raw => (raw * factor + offset) / divisor, points = [], left = [...gaps];
  const add = (time, height, words) => points.push({ time, height, words });
  const nameOf = raw => states[raw] ?? labels[raw] ?? `${value(raw).toFixed(decimals)} ${unit}`.trim();
  const all = sums(raws);
  sums(times).forEach((time, at) => {
    for (; left.length && left[0][1] <= time; left.shift())
      if (left[0][0] >= (points.at(-1)?.time ?? Infinity)) add(left[0][0], null, "nothing was received");
    const raw = all[at];
    add(time, raw in states ? null : levels ? levels.indexOf(raw) : value(raw), nameOf(raw));
  });
  const clock = time => started === null ? "" : `, ${new Date((started + time) / 1000).toISOString().slice(11, 23)} UTC`;
  const label = height => levels ? null : `${height.toFixed(decimals)} ${unit}`.trim();
  return { points, clock, label, last: points.at(-1).time };
}
/* The place of the last point that is not later than a time; -1 before all. */
function placeAt(points, time) {
  let low = 0, high = points.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (points[middle].time <= time) low = middle + 1; else high = middle;
  }
  return low - 1;
}
function draw(figure) {
  const reading = stored.get(figure.id), svg = figure.querySelector(".canvas > svg");
  figure.drawnFor = shown.join();
  if (!reading) {
    const scale = WIDTH / (whole[1] - whole[0]);
    svg.setAttribute("viewBox", `${(shown[0] - whole[0]) * scale} 0 ${(shown[1] - shown[0]) * scale} ${HEIGHT}`);
    return;
  }
  const { points, label, last } = reading;
  const first = Math.max(0, placeAt(points, shown[0])), end = placeAt(points, shown[1]) + 1;
  const visible = points.slice(first, end);
  let [low, high] = [Number(figure.dataset.low), Number(figure.dataset.high)];
  const heights = visible.map(point => point.height).filter(height => height !== null);
  if (label(0) !== null && !isWhole() && heights.length) {
    [low, high] = [heights.reduce((one, other) => Math.min(one, other)), heights.reduce((one, other) => Math.max(one, other))];
    const texts = [...new Set([label(low), label(high)])];
    if (low === high) [low, high] = [low - 1, high + 1];
    const heightOf = at => texts.length === 1 ? 0.5 : (at ? MARGIN : HEIGHT - MARGIN) / HEIGHT;
    figure.labels ??= [...figure.querySelector(".values").children];
    figure.querySelector(".values").replaceChildren(...texts.map((text, at) =>
      placed(make("span", { textContent: text }), "top", heightOf(at))));
  } else if (figure.labels) figure.querySelector(".values").replaceChildren(...figure.labels);
  const x = time => (WIDTH * share(time)).toFixed(1);
  const y = height => (MARGIN + (HEIGHT - 2 * MARGIN) * (high - height) / (high - low)).toFixed(1);
  let path = "", before = null;
  for (const { time, height } of visible) {
    if (before !== null) path += `H${x(time)}`;
    if (height !== null) path += before === null ? `M${x(time)} ${y(height)}h.1` : `V${y(height)}`;
    before = height;
  }
  if (before !== null && end < points.length) path += `H${WIDTH}`;
  else if (before !== null) path += `H${x(last)}`;
  svg.setAttribute("viewBox", `0 0 ${WIDTH} ${HEIGHT}`);
  svg.querySelector("path").setAttribute("d", path);
}
const inView = new Set();
const drawIfNeeded = figure => { if (figure.drawnFor !== shown.join()) draw(figure); };
const watcher = new IntersectionObserver(entries => {
  for (const { target, isIntersecting } of entries) {
    if (!isIntersecting) { inView.delete(target); continue; }
    inView.add(target);
    drawIfNeeded(target);
  }
}, { rootMargin: "300px" });

function showTime(start, end) {
  const span = Math.min(Math.max(end - start, SHORTEST), whole[1] - whole[0]);
  const from = Math.min(Math.max(Math.round(start), whole[0]), whole[1] - span);
  shown = [from, from + span];
  placeTicksAndBands();
  inView.forEach(drawIfNeeded);
  const words = `${isWhole() ? "the whole log, " : ""}${seconds(shown[0])} to ${seconds(shown[1])}`;
  timeText.textContent = words;
  announce(`Time shown: ${words}`);
}
const zoom = factor => {
  const middle = (shown[0] + shown[1]) / 2, half = (shown[1] - shown[0]) / 2 / factor;
  showTime(middle - half, middle + half);
};
const move = part => {
  const by = part * (shown[1] - shown[0]);
  showTime(shown[0] + by, shown[1] + by);
};

/* Keys and buttons. */
const STEPS = [
  ["+", "zoom in", ["+", "="], () => zoom(2)],
  ["\u2212", "zoom out", ["-", "_"], () => zoom(0.5)],
  ["\u2190", "earlier", ["ArrowLeft"], () => move(-0.25)],
  ["\u2192", "later", ["ArrowRight"], () => move(0.25)],
  ["all", "show the whole log", ["Home"], () => showTime(...whole)],
];
const KEYS_TEXT = "Keys: plus and minus zoom, left and right move, Home shows all.";
const timeText = make("span", { className: "time" });
function onKey(event) {
  if (event.ctrlKey || event.altKey || event.metaKey || /^(INPUT|SELECT)$/.test(event.target.tagName)) return;
  const step = STEPS.find(([, , keys]) => keys.includes(event.key));
  if (step) { event.preventDefault(); step[3](); }
}
function takesKeys(element, name) {
  label(element, `${name}. ${KEYS_TEXT}`).setAttribute("role", "group");
  element.setAttribute("aria-keyshortcuts", "+ - ArrowLeft ArrowRight Home");
  element.addEventListener("keydown", onKey);
}

/* The pointer: the value under it, and a drag across a drawing shows that time. */
function takesPointer(canvas, figure) {
  const hair = make("span", { className: "hair", hidden: true }), chosen = make("span", { className: "chosen", hidden: true });
  const words = make("span", { className: "under", hidden: true });
  canvas.append(hair, chosen, words);
  let from = null;
  const timeAt = event => {
    const { left, width } = canvas.getBoundingClientRect();
    return shown[0] + (shown[1] - shown[0]) * Math.min(Math.max((event.clientX - left) / width, 0), 1);
  };
  canvas.addEventListener("pointermove", event => {
    const time = timeAt(event), reading = stored.get(figure?.id);
    placed(hair, "left", share(time)).hidden = false;
    if (from !== null) {
      const [start, end] = [Math.min(from, time), Math.max(from, time)];
      placed(placed(chosen, "left", share(start)), "width", share(end) - share(start)).hidden = false;
    }
    let text = seconds(time);
    if (reading) {
      const point = reading.points[placeAt(reading.points, time)];
      text = `${point && time <= reading.last ? point.words : "nothing was received"} at ${text}${reading.clock(time)}`;
    }
    words.textContent = text;
    placed(words, "left", share(time)).hidden = false;
    words.classList.toggle("before", share(time) > 0.5);
  });
  const leave = () => { hair.hidden = words.hidden = chosen.hidden = true; from = null; };
  canvas.addEventListener("pointerleave", () => { if (from === null) leave(); });
  canvas.addEventListener("pointercancel", leave);
  canvas.addEventListener("pointerdown", event => {
    if (event.button !== 0) return;
    from = timeAt(event);
    canvas.setPointerCapture(event.pointerId);
  });
  canvas.addEventListener("pointerup", event => {
    const start = from, end = timeAt(event);
    leave();
    if (start !== null && Math.abs(end - start) > (shown[1] - shown[0]) / 100)
      showTime(Math.min(start, end), Math.max(start, end));
  });
  canvas.addEventListener("dblclick", () => showTime(...whole));
}

if (parts.length) {
  const buttons = STEPS.map(([sign, name, keys, step]) => {
    const button = label(make("button", { type: "button", textContent: sign, title: `${name} (key: ${keys[0]})` }), name);
    button.addEventListener("click", step);
    return button;
  });
  timeText.textContent = `the whole log, ${seconds(whole[0])} to ${seconds(whole[1])}`;
  const group = make("div", { className: "controls" }, "Time", ...buttons, timeText);
  takesKeys(group, "Time shown");
  document.getElementById("controls").prepend(group);
  parts[0].before(make("p", { className: "note screen", textContent: "All drawings show the same time. Drag across a " +
    "line to show that time, double-click to show all. Keys, where a drawing or a button has the focus: + and \u2212 " +
    "zoom, \u2190 and \u2192 move, Home shows all." }));
  for (const drawing of [...timelines, ...figures]) {
    const caption = drawing.querySelector("figcaption");
    takesKeys(drawing, caption ? caption.textContent : "Presence of the devices");
    drawing.tabIndex = 0;
  }
  for (const figure of figures) {
    takesPointer(figure.querySelector(".canvas"), figure);
    watcher.observe(figure);
  }
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
  addEventListener("beforeprint", () => figures.forEach(drawIfNeeded));
  if ("DecompressionStream" in window) unpack().then(() => {
    figures.forEach(figure => { figure.drawnFor = ""; });
    inView.forEach(drawIfNeeded);
    document.documentElement.dataset.points = "unpacked";
  });
}
