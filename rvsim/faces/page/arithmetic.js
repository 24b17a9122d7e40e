
/* The arithmetic of fields: bytes to raw integers, raw integers to values, and back. All integers are BigInt, since
   JavaScript's own numbers are exact only up to 53 bits; a value is decimal text. */
const known = JSON.parse(document.getElementById("definitions").textContent);
for (const message of Object.values(known.messages)) for (const field of message.fields) {
  for (const key of ["scale", "offset", "low", "high"]) field[key] = BigInt(field[key]);
  field.special = field.special.map(([first, last, state]) => [BigInt(first), BigInt(last), state]);
  field.labels = known.labels[field.labels];
  field.ones = (1n << BigInt(field.length)) - 1n;
  field.steps = 10n ** BigInt(field.decimals);
  field.firstByte = Math.floor(field.first / 8);
  field.lastByte = Math.floor((field.first + field.length - 1) / 8);
  field.lowBit = BigInt(field.big ? 8 * (field.lastByte + 1) - field.first - field.length
    : field.first - 8 * field.firstByte);
}
const hexOf = (number, digits) => number.toString(16).toUpperCase().padStart(digits, "0");
const bytesText = (bytes, between = " ") => bytes.map(byte => hexOf(byte, 2)).join(between);

/* Bytes. */
function bytesOf(text) {
  const digits = text.replace(/[\s:.,_-]|0x/gi, "");
  if (!/^[0-9a-f]*$/i.test(digits))
    return { problem: "this is not hex: write two digits 0 to 9 or A to F for each byte" };
  if (digits.length % 2)
    return { problem: `${counted(digits.length, "hex digit")}: two make a byte, so one is missing or too many` };
  if (digits.length > 16) return { problem: `${digits.length / 2} bytes: a frame holds 8 at most` };
  return { bytes: (digits.match(/../g) || []).map(pair => parseInt(pair, 16)) };
}
function joined(field, bytes) {
  const part = bytes.slice(field.firstByte, field.lastByte + 1);
  return (field.big ? part : part.reverse()).reduce((number, byte) => number << 8n | BigInt(byte), 0n);
}
function rawIn(field, bytes) {
  if (bytes.length <= field.lastByte) return null;
  const raw = joined(field, bytes) >> field.lowBit & field.ones;
  return field.signed && raw >> BigInt(field.length - 1) ? raw - field.ones - 1n : raw;
}
function withRaw(message, field, bytes, raw) {
  const made = bytes.concat(Array(Math.max(message.length - bytes.length, 0)).fill(0xFF));
  let number = joined(field, made) & ~(field.ones << field.lowBit) | (raw & field.ones) << field.lowBit;
  const places = Array.from({ length: field.lastByte - field.firstByte + 1 }, (_, at) => field.firstByte + at);
  for (const place of field.big ? places.reverse() : places) {
    made[place] = Number(number & 0xFFn);
    number >>= 8n;
  }
  return made;
}

/* Raw integers and what they mean, in the words of `rvsim spell`. */
const stateOf = (field, raw) => raw === null ? "missing"
  : (field.special.find(([first, last]) => first <= raw && raw <= last) || [0, 0, "value"])[2];
function exact(field, steps) {
  const digits = (steps < 0n ? -steps : steps).toString().padStart(field.decimals + 1, "0");
  const cut = digits.length - field.decimals, part = digits.slice(cut).replace(/0+$/, "");
  return `${steps < 0n ? "-" : ""}${digits.slice(0, cut)}${part ? `.${part}` : ""}`;
}
const valueOf = (field, raw) => exact(field, raw * field.scale + field.offset);
const withUnit = (field, text) => field.shown ? `${text} ${field.shown}` : text;
const isPlain = field => field.scale === field.steps && !field.offset;
const offsetText = field => field.offset < 0n ? ` - ${exact(field, -field.offset)}`
  : field.offset ? ` + ${exact(field, field.offset)}` : "";
function codeText(field, raw) {
  const bits = raw & field.ones;
  if (field.length % 4 === 0 && field.length >= 8) return hexOf(bits, field.length / 4);
  return field.length < 8 ? bits.toString(2).padStart(field.length, "0") : hexOf(bits, 0);
}
const codeShown = (field, raw) => `${codeText(field, raw)} ${field.length >= 8 ? "hex" : "binary"}`;
function bitsText(field, raw, bytes) {
  const bits = raw & field.ones;
  if (field.length % 8 || field.lowBit)
    return field.length > 8 ? [hexOf(bits, Math.ceil(field.length / 4)), "", "hex"]
      : [bits.toString(2).padStart(field.length, "0"), "", "binary"];
  const held = bytesText(bytes.slice(field.firstByte, field.lastByte + 1));
  return held.length === 2 || field.big ? [held, "", "hex"] : [held, hexOf(bits, field.length / 4), "hex"];
}
function isListOfCodes(field) {
  const count = Object.keys(field.labels).length;
  return !field.unit && field.name !== "instance" && (count > 1 || count > 0 && field.length <= 2);
}
function meaningOf(field, bytes) {
  const raw = rawIn(field, bytes), state = stateOf(field, raw);
  if (raw === null) return "missing: the frame is too short";
  const [held, turned, base] = bitsText(field, raw, bytes), label = field.labels[raw];
  if (state !== "value") {
    const named = label && label !== state && state !== "no data" && state !== "unchanged" ? `, ${label}` : "";
    const shown = turned && !known.empty.includes(state) ? `${held}, low byte first ${turned}` : held;
    return `${shown}: ${known.states[state] || state}${named}`;
  }
  const number = `${held}${turned ? `, low byte first: ${turned}` : ""} ${base} = ${raw}`;
  if (label !== undefined) return `${number}: ${label}`;
  if (isListOfCodes(field)) return `${number}: a code without a name here`;
  if (isPlain(field)) return withUnit(field, number);
  const sum = `${raw} × ${exact(field, field.scale)}${offsetText(field)} = ${valueOf(field, raw)}`;
  return withUnit(field, `${number}; ${sum}`);
}

/* Values as a person writes them, to raw integers: a number, the name of a code, a state, or hex behind 0x. A problem
   is the end of a sentence, whose beginning is the text or, where `ofField` is set, the field. */
const rangeText = field => withUnit(field, `${valueOf(field, field.low)} to ${valueOf(field, field.high)}`);
const nearby = (field, raw) => ({ raw, words: `${withUnit(field, valueOf(field, raw))} (${codeShown(field, raw)})` });
function rawOf(field, text) {
  text = text.trim();
  const small = text.toLowerCase(), words = small.replaceAll("_", " ");
  const labels = Object.entries(field.labels).sort(([one], [other]) => one - other);
  const ofField = problem => ({ problem, ofField: true });
  if (!text) return ofField("has no value");
  const code = labels.find(([, label]) => label.toLowerCase() === words);
  if (code) return { raw: BigInt(code[0]) };
  if (known.written.includes(words))
    return words in field.written ? { raw: BigInt(field.written[words]) } : ofField(`has no code for ${words}`);
  if (/^0x[0-9a-f]+$/i.test(text)) {
    const raw = BigInt(small);
    if (raw <= field.ones) return { raw: field.signed && raw > field.high ? raw - field.ones - 1n : raw };
    return { problem: `does not fit in ${field.length} bits: the highest is 0x${hexOf(field.ones, 0)}` };
  }
  const number = /^([+-]?)([0-9]+)(?:\.([0-9]+))?\s*(\S*)$/.exec(text);
  if (!number) return { problem: labels.length ? "is neither a number nor one of its codes"
    : `is not a number: write one in ${field.shown || "whole steps"}, or no data; ${rangeText(field)}` };
  const [, sign, whole, part = "", unit] = number;
  const units = ["", field.unit.toLowerCase(), field.shown.toLowerCase()];
  if (field.unit === "degC") units.push("c", "°c");
  if (!units.includes(unit.toLowerCase()))
    return ofField(field.unit ? `is in ${field.shown}, not in ${unit}; write the number alone`
      : `has no unit: leave ${unit} out and write the number alone`);
  const value = BigInt(`${whole}${part}`) * (sign === "-" ? -1n : 1n), parts = 10n ** BigInt(part.length);
  const over = value * field.steps - field.offset * parts, under = field.scale * parts;
  if (over < field.low * under || over > field.high * under)
    return { problem: `is outside its range: write ${rangeText(field)}` };
  if (over % under) {
    const below = over / under - (over < 0n ? 1n : 0n);
    const near = [below, below + 1n].map(raw => nearby(field, raw));
    const words = near.map(one => one.words).join(" or ");
    return { near, problem: `lies between two steps of ${exact(field, field.scale)}: write the nearest, ${words}` };
  }
  const raw = over / under, state = stateOf(field, raw);
  return state === "value" ? { raw }
    : { problem: `cannot be sent: ${codeShown(field, raw)} means ${state} in this field` };
}

/* Identifiers. */
function identifierParts(identifier) {
  const group = identifier >>> 16 & 0xFF, addressed = group < 0xF0, dgn = identifier >>> 8 & 0x3FFFF;
  return { priority: identifier >>> 26, dgn: addressed ? dgn & 0x3FF00 : dgn, source: identifier & 0xFF,
    destination: addressed ? dgn & 0xFF : null };
}
const isAddressed = dgn => (dgn >>> 8 & 0xFF) < 0xF0;
const identifierOf = (priority, dgn, source, destination) =>
  priority * 2 ** 26 + (isAddressed(dgn) ? dgn | destination : dgn) * 256 + source;
