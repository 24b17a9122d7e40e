
/* Plots: the library and the data are unpacked when the first drawing comes into view. The library draws the line and
   what is under the pointer; ticks, flags and the names of values are those of the drawing without it. */
const packed = id => document.getElementById(id).textContent;
async function unpack(id) {
  const bytes = Uint8Array.from(atob(packed(id)), letter => letter.charCodeAt(0));
  return new Response(new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"))).text();
}
const sums = numbers => { let sum = 0; return numbers.map(number => sum += number); };
let unpacked = null;
const unpackAll = () => unpacked ||= (async () => {
  const [library, data] = [await unpack("plot-library"), JSON.parse(await unpack("plot-data"))];
  document.head.append(make("script", { textContent: library }));
  const found = new Map();
  for (const channel of data) for (const reading of channel.readings) found.set(reading.id, { ...reading, channel });
  return found;
})();
const safe = words => words.replaceAll("&", "&amp;").replaceAll("<", "&lt;").replaceAll(">", "&gt;");

/* A reading as points: numbers or levels by time, nothing where there is no value or the device sent nothing. */
function pointsOf(reading) {
  const times = sums(reading.times), raws = sums(reading.raws), [factor, offset, divisor] = reading.scale;
  const value = raw => (raw * factor + offset) / divisor;
  const nameOf = raw => reading.states[raw] ?? reading.labels[raw] ??
    `${value(raw).toFixed(reading.decimals)} ${reading.unit}`.trim();
  const points = { x: [], y: [], text: [] };
  const add = (time, height, words) => {
    const clock = reading.channel.started === null ? "" :
      `, ${new Date((reading.channel.started + time) / 1000).toISOString().slice(11, 23)} UTC`;
    points.x.push(time / SECOND);
    points.y.push(height);
    points.text.push(safe(`${words} at ${seconds(time)}${clock}`));
  };
  const gaps = [...reading.gaps];
  let last = null;
  times.forEach((time, at) => {
    while (gaps.length && gaps[0][1] <= time) {
      const since = gaps.shift()[0];
      if (last !== null) add(Math.max(since, times[at - 1]), last, "last heard");
      add(since, null, "");
      last = null;
    }
    const raw = raws[at];
    const height = raw in reading.states ? null : reading.levels ? reading.levels.indexOf(raw) : value(raw);
    if (height === null && last !== null) add(time, last, nameOf(raw));
    add(time, height, nameOf(raw));
    last = height;
  });
  return points;
}

async function draw(figure) {
  const found = await unpackAll(), reading = found.get(figure.id);
  if (!reading || figure.plot) return;
  const canvas = figure.querySelector(".canvas"), place = make("div", { className: "plot" });
  const [low, high] = [Number(figure.dataset.low), Number(figure.dataset.high)];
  const margin = (high - low) * 6 / (160 - 2 * 6);
  const axis = { visible: false, zeroline: false };
  figure.plot = place;
  canvas.querySelector(".specials").before(place);
  await Plotly.newPlot(place, [{
    ...pointsOf(reading), type: "scatter", mode: "lines", line: { shape: "hv", width: 1.6 },
    hovertemplate: "%{text}<extra></extra>",
  }], {
    margin: { l: 0, r: 0, t: 0, b: 0 }, dragmode: "zoom", hovermode: "x", showlegend: false,
    paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
    xaxis: { ...axis, range: shown.map(time => time / SECOND) },
    yaxis: { ...axis, range: [low - margin, high + margin], fixedrange: true },
  }, { displayModeBar: false, responsive: true, doubleClick: false });
  figure.classList.add("plotted");
  place.on("plotly_relayout", changed => {
    const from = changed["xaxis.range[0]"], to = changed["xaxis.range[1]"];
    if (from !== undefined && to !== undefined) showTime(from * SECOND, to * SECOND);
  });
  place.on("plotly_doubleclick", () => showTime(...whole));
}

const inView = new Set();
const showInPlot = figure => {
  const range = shown.map(time => time / SECOND), now = figure.plot._fullLayout.xaxis.range;
  if (now[0] !== range[0] || now[1] !== range[1]) Plotly.relayout(figure.plot, { "xaxis.range": range });
};
if ("DecompressionStream" in window) {
  const watcher = new IntersectionObserver(entries => {
    for (const { target, isIntersecting } of entries) {
      if (!isIntersecting) { inView.delete(target); continue; }
      inView.add(target);
      if (target.classList.contains("plotted")) showInPlot(target);
      else draw(target).catch(error => { console.error(error); announce("A plot could not be drawn."); });
    }
  }, { rootMargin: "200px" });
  for (const figure of document.querySelectorAll(".reading")) watcher.observe(figure);
  listeners.push(() => { for (const figure of inView) if (figure.classList.contains("plotted")) showInPlot(figure); });
} else announce("This browser cannot unpack the plots: the fixed lines are shown.");
