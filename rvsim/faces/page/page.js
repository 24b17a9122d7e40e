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
