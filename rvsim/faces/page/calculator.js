
/* The calculator of a message: its bytes, each field's value, its identifier. A change of one shows in the others. */
let controls = 0;
function labelled(words, control, className = "") {
  return make("label", { className }, make("span", { textContent: words }), control);
}
function problemUnder(control) {
  const line = make("p", { className: "wrong", id: `wrong-${++controls}`, hidden: true });
  control.setAttribute("aria-describedby", line.id);
  return { line, show(problem, ...more) {
    line.replaceChildren(...(problem ? [`Not possible: ${problem}.`, ...more] : []));
    line.hidden = !problem;
    control.setAttribute("aria-invalid", String(Boolean(problem)));
  } };
}
const textInput = properties => make("input", { type: "text", autocomplete: "off", spellcheck: false, ...properties });
const hexInput = size => textInput({ className: "hex", size });

function fieldControls(calculator, field) {
  const { message } = calculator;
  const typed = textInput({ size: 12 });
  const choice = make("select");
  const named = Object.entries(field.labels).filter(([raw]) => stateOf(field, BigInt(raw)) === "value");
  named.sort(([one], [other]) => one - other);
  const states = field.special.filter(([, , state]) => state !== "reserved");
  const many = named.length && !field.unit ? "another number" : "a value";
  const offer = (value, textContent) => make("option", { value, textContent });
  choice.append(offer("", many), ...named.map(([raw, words]) => offer(raw, `${raw} ${words}`)),
    ...states.map(([raw, , state]) => offer(`${raw}`, `${state} (${codeShown(field, raw)})`)));
  const meaning = make("output"), wrong = problemUnder(typed);
  label(typed, `${field.title}, value${field.shown ? ` in ${field.shown}` : ""}`);
  label(choice, `${field.title}, code`);
  const set = (raw, changed = null) => {
    wrong.show("");
    calculator.setBytes(withRaw(message, field, calculator.bytes, raw), changed);
  };
  typed.addEventListener("input", () => {
    const found = rawOf(field, typed.value);
    if (found.problem === undefined) { set(found.raw, typed); return; }
    const subject = found.ofField ? "the field" : typed.value.trim();
    wrong.show(`${subject} ${found.problem}`, ...(found.near || []).map(near => {
      const button = make("button", { type: "button", textContent: near.words });
      button.addEventListener("click", () => { set(near.raw); (typed.hidden ? choice : typed).focus(); });
      return button;
    }));
  });
  typed.addEventListener("change", () => {
    announce(wrong.line.hidden ? meaning.textContent : wrong.line.textContent);
    if (!wrong.line.hidden) return;
    const isFocused = document.activeElement === typed;
    update(null);
    if (isFocused && typed.hidden) choice.focus();
  });
  choice.addEventListener("change", () => {
    if (choice.value) { set(BigInt(choice.value)); announce(meaning.textContent); return; }
    typed.hidden = false;
    typed.value = "";
    typed.focus();
  });
  const value = make("span", { className: "value" }, ...(choice.options.length > 1 ? [choice] : []), typed,
    ...(field.shown ? [make("span", { className: "unit", textContent: field.shown })] : []));
  const row = make("div", { className: "field" },
    make("p", {}, make("span", { className: "when", textContent: `${field.place}, ${field.type} ` }),
      make("b", { textContent: field.title })), value, make("p", {}, meaning), wrong.line);
  const update = changed => {
    meaning.textContent = meaningOf(field, calculator.bytes);
    if (changed === typed) return;
    const raw = rawIn(field, calculator.bytes);
    const isListed = raw !== null && [...choice.options].some(one => one.value === `${raw}`);
    choice.value = isListed ? `${raw}` : "";
    typed.hidden = isListed;
    if (isListed || raw === null) typed.value = "";
    else typed.value = stateOf(field, raw) === "value" ? valueOf(field, raw) : `0x${hexOf(raw & field.ones, 0)}`;
    wrong.show("");
  };
  return { row, update, typed, choice, name: field.name };
}

function identifierControls(calculator) {
  const { message } = calculator, whole = hexInput(9), source = hexInput(3);
  const destination = isAddressed(message.dgn) ? hexInput(3) : null;
  const priority = make("select", {}, ...Array.from({ length: 8 }, (_, at) =>
    make("option", { value: `${at}`, textContent: at === 0 ? "0, goes first" : at === 7 ? "7, goes last" : `${at}` })));
  const wrong = problemUnder(whole);
  const byteIn = (control, what) => {
    const text = control.value.trim().replace(/^0x/i, "");
    return /^[0-9a-f]{1,2}$/i.test(text) ? { byte: parseInt(text, 16) }
      : { problem: `the ${what} is no byte in hex: write 00 to FF` };
  };
  const join = () => {
    const from = byteIn(source, "source address"), to = destination ? byteIn(destination, "destination") : { byte: 0 };
    wrong.show(from.problem || to.problem || "");
    if (from.problem || to.problem) return;
    calculator.identifier = identifierOf(Number(priority.value), message.dgn, from.byte, to.byte);
    whole.value = hexOf(calculator.identifier, 8);
    calculator.showCommand();
  };
  const split = () => {
    const text = whole.value.trim().replace(/^0x/i, "");
    const identifier = /^[0-9a-f]{1,8}$/i.test(text) ? parseInt(text, 16) : -1;
    if (identifier < 0) { wrong.show("this is not hex: write an identifier like 19FFE45E"); return; }
    if (identifier >= 2 ** 29) { wrong.show("it does not fit in 29 bits: the highest is 1FFFFFFF"); return; }
    const parts = identifierParts(identifier);
    if (parts.dgn !== message.dgn) {
      const other = known.messages[hexOf(parts.dgn, 5)];
      const named = `${hexOf(parts.dgn, 5)}, ${other ? other.name : "not known here"}`;
      wrong.show(`its DGN is ${named}, and not ${hexOf(message.dgn, 5)}`);
      return;
    }
    wrong.show("");
    calculator.identifier = identifier;
    showParts(parts);
    calculator.showCommand();
  };
  const showParts = parts => {
    priority.value = `${parts.priority}`;
    source.value = hexOf(parts.source, 2);
    if (destination) destination.value = hexOf(parts.destination, 2);
  };
  const show = () => {
    whole.value = hexOf(calculator.identifier, 8);
    showParts(identifierParts(calculator.identifier));
    wrong.show("");
  };
  whole.addEventListener("input", split);
  priority.addEventListener("change", join);
  for (const control of [source, destination]) if (control) control.addEventListener("input", join);
  const row = make("div", { className: "line" }, labelled("identifier, hex", whole), labelled("priority", priority),
    labelled("source, hex", source), ...(destination ? [labelled("destination, hex (FF: all)", destination)] : []));
  return { row, wrong: wrong.line, show, whole, priority, source, destination };
}

function calculatorOf(message) {
  const calculator = { message, bytes: [], identifier: 0 };
  const data = hexInput(26), dataWrong = problemUnder(data), command = make("code");
  calculator.showCommand = () => {
    command.textContent = `rvsim spell ${hexOf(calculator.identifier, 8)} ${bytesText(calculator.bytes, "")}`.trim();
  };
  calculator.setBytes = (bytes, changed = null) => {
    calculator.bytes = bytes;
    if (changed !== data) data.value = bytesText(bytes);
    if (changed !== data) dataWrong.show("");
    for (const field of calculator.fields) field.update(changed);
    calculator.showCommand();
  };
  calculator.setFrame = (identifier, bytes) => {
    calculator.identifier = identifier;
    calculator.ends.show();
    calculator.setBytes(bytes);
  };
  data.addEventListener("input", () => {
    const found = bytesOf(data.value);
    dataWrong.show(found.problem || "");
    if (found.bytes) calculator.setBytes(found.bytes, data);
  });
  calculator.ends = identifierControls(calculator);
  calculator.fields = message.fields.map(field => fieldControls(calculator, field));
  const example = make("button", { type: "button", textContent: "the frame of the example" });
  const start = () => calculator.setFrame(parseInt(message.example[0], 16), bytesOf(message.example[1]).bytes);
  example.addEventListener("click", start);
  const ones = make("button", { type: "button", textContent: "all ones" });
  ones.addEventListener("click", () => calculator.setBytes(Array(message.length).fill(0xFF)));
  const byPlace = message.fields.map((field, at) => [field.first, at]).sort(([one], [other]) => one - other);
  calculator.data = data;
  calculator.element = make("section", { className: "calculator" }, make("h4", { textContent: "Calculator" }),
    make("p", { className: "note", textContent: "Change the bytes, a value or the identifier; all else follows. " +
      "A value is a number in the field's unit, the name of a code, or raw hex like 0x1F." }),
    calculator.ends.row, calculator.ends.wrong,
    make("div", { className: "line" },
      labelled(`data, ${counted(message.length, "byte")} in hex`, data), example, ones),
    dataWrong.line, make("div", { className: "fields" }, ...byPlace.map(([, at]) => calculator.fields[at].row)),
    make("p", { className: "note" }, "In a terminal: ", command));
  label(calculator.element, `Calculator of ${message.name}`);
  start();
  return calculator;
}
const calculators = {};
function showCalculator(dgn) {
  const message = known.messages[dgn], part = document.getElementById(dgn);
  if (!message || !message.example || !part) return null;
  if (!calculators[dgn]) {
    calculators[dgn] = calculatorOf(message);
    part.querySelector(".place").append(calculators[dgn].element);
    part.classList.add("calculated");
  }
  return calculators[dgn];
}
for (const part of document.querySelectorAll("article.message")) {
  const calculator = showCalculator(part.id);
  if (!calculator || !part.dataset.frame) continue;
  const [identifier, bytes] = part.dataset.frame.split(" ");
  calculator.setFrame(parseInt(identifier, 16), bytesOf(bytes).bytes);
}
