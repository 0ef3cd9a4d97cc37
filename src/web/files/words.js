// The page's words, in the language that the desk chose, and numbers as that language writes them.
const words = JSON.parse(document.getElementById("texts").textContent);
const language = document.documentElement.lang;

/** A text with its values put in. */
export function say(key, values = {}) {
  return (words[key] ?? key).replace(/\{(\w+)\}/g, (all, name) => (name in values ? String(values[name]) : all));
}

/** True when there are words for a key. */
export const known = (key) => key in words;

/** A number with so many digits behind the point, or the comma. */
export const number = (value, digits) => new Intl.NumberFormat(language, { minimumFractionDigits: digits, maximumFractionDigits: digits }).format(value);
