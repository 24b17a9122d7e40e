
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
