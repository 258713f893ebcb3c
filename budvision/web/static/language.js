// Messages of the scripts in the page's language; English where the page brings none.

const told = JSON.parse(document.getElementById("words")?.textContent ?? "{}");
const form = new Intl.PluralRules(document.documentElement.lang || "en");

const fill = (message, values) => message.replace(/\{(\w+)\}/g, (whole, name) => values[name] ?? whole);

/** Say a message with its places filled. */
export const spoken = (message, values = {}) => fill(told[message] ?? message, values);

/** Say the form of a message that fits a count, which fills the place n. */
export function spokenN(one, many, n, values = {}) {
  const forms = told[one] ?? [one, many];
  return fill(forms[form.select(n) === "one" ? 0 : 1], { n, ...values });
}
