
/* Tables: search, a choice in some columns, and sorting by the heads. Few rows are not searched. */
const FEW_ROWS = 5;
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
  frame.prepend(...(rows.length > FEW_ROWS ? [tools, count] : [count]));
  show();
}
document.querySelectorAll(".table").forEach(prepareTable);
