
/* The reference: messages unfold, are searched as one types, and are named in the address: #1FFE2. */
const parts = [...document.querySelectorAll("details.message")];
const MOST_PLACES = 4;
for (const part of parts) part.addEventListener("toggle", () => {
  if (part.open && !("folded" in part.dataset)) showCalculator(part.id);
});
function unfold(part, moves = true) {
  part.hidden = false;
  part.open = true;
  showCalculator(part.id);
  if (!moves) return;
  part.scrollIntoView({ block: "start", behavior: "instant" });
  part.querySelector("summary").focus({ preventScroll: true });
}
function partNamed(name) {
  const wanted = name.replaceAll("%20", "_").toUpperCase().replace(/^0X/, "");
  return parts.find(part => part.id === wanted || part.dataset.name.toUpperCase() === wanted) || null;
}
function follow() {
  const name = location.hash.slice(1), part = name ? partNamed(name) : null;
  if (part) unfold(part);
  else if (name && !document.getElementById(name)) {
    search.value = name;
    showFound();
  }
}
addEventListener("hashchange", follow);

/* Where words stand in a message: in its name or number, in fields, codes, notes, its function or description. */
const plainText = text => text.toLowerCase().replaceAll("_", " ");
function placesOf(part, words) {
  const message = known.messages[part.id], holds = text => words.every(word => plainText(text).includes(word));
  const places = [];
  for (const field of message.fields) if (holds(field.title)) places.push(`field ${field.title}`);
  for (const field of message.fields) for (const words of Object.values(field.labels))
    if (holds(words)) places.push(`${field.title} = ${words}`);
  for (const field of message.fields) if (field.comment && holds(field.comment)) places.push(`note on ${field.title}`);
  if (holds(message.function)) places.push(`function ${message.function}`);
  if (holds(message.name)) places.unshift("its name");
  if (holds(message.comment)) places.push("its description");
  return places.length ? places : null;
}
function isNumber(part, text) {
  const bare = text.replace(/^0x/i, "").replace(/h$/i, "").toUpperCase();
  return bare.length > 2 && part.id.startsWith(bare) || String(known.messages[part.id].dgn) === text;
}
function frameIn(text) {
  const found = /^(?:0x)?([0-9a-f]{7,8})x?(?:\s*#|\s|$)\s*((?:[0-9a-f]{2}[\s:.]*){0,8})$/i.exec(text.trim());
  const identifier = found ? parseInt(found[1], 16) : 2 ** 29;
  if (identifier >= 2 ** 29) return null;
  const dgn = hexOf(identifierParts(identifier).dgn, 5);
  return { identifier, dgn, part: partNamed(dgn), bytes: bytesOf(found[2]).bytes };
}
/* Where a search finds a message: no places where all are wanted or its number is; null for not at all. */
function foundIn(part, text, frame) {
  const words = plainText(text).split(/\s+/).filter(Boolean);
  if (!words.length || isNumber(part, text)) return [];
  if (frame) return frame.part === part ? [] : null;
  return placesOf(part, words);
}
const search = make("input", { type: "search", id: "search", autocomplete: "off", spellcheck: false });
const count = make("p", { className: "count" });
count.setAttribute("role", "status");
function showFound() {
  const text = search.value.trim(), frame = frameIn(text);
  let shown = 0;
  for (const part of parts) {
    const places = foundIn(part, text, frame), number = places === null ? 0 : places.length;
    const more = number > MOST_PLACES ? ` and ${number - MOST_PLACES} more` : "";
    part.querySelector(".hits").textContent = number ? `in ${places.slice(0, MOST_PLACES).join("; ")}${more}` : "";
    part.hidden = places === null;
    shown += places !== null;
  }
  for (const subject of document.querySelectorAll("main > section")) {
    subject.hidden = !subject.querySelector("details.message:not([hidden])");
    document.querySelector(`nav a[href="#${subject.id}"]`).parentElement.hidden = subject.hidden;
  }
  count.textContent = frame ? (frame.part ? `A frame of ${frame.part.dataset.name}: Enter puts it into its calculator`
    : `The DGN of this identifier, ${frame.dgn}, is not known here`)
    : shown === parts.length ? counted(shown, "message") : `${shown} of ${counted(parts.length, "message")} shown`;
}
function showFirst() {
  const frame = frameIn(search.value), shown = parts.filter(part => !part.hidden), text = search.value.trim();
  const isNamed = part => part.querySelector(".hits").textContent.startsWith("in its name");
  const first = partNamed(text.replace(/\s+/g, "_")) || shown.find(isNamed) || shown[0];
  if (!first) return;
  unfold(first);
  const calculator = showCalculator(first.id);
  if (frame && calculator) calculator.setFrame(frame.identifier, frame.bytes.length ? frame.bytes : calculator.bytes);
}
search.addEventListener("input", showFound);
search.addEventListener("keydown", event => {
  if (event.key === "Enter") { event.preventDefault(); showFirst(); }  // or the summary, focused now, would fold it
  if (event.key === "Escape") { search.value = ""; showFound(); }
});
addEventListener("keydown", event => {
  if (event.key !== "/" || event.target.closest("input, select, textarea") || event.ctrlKey || event.metaKey) return;
  event.preventDefault();
  search.focus();
  search.select();
});
if (parts.length) {
  const fold = make("button", { type: "button", textContent: "fold all" });
  fold.addEventListener("click", () => { for (const part of parts) part.open = false; });
  document.getElementById("controls").prepend(make("label", { className: "search" }, "Search ", search), fold);
  document.querySelector("main > header").append(count);
  showFound();
  follow();
}
