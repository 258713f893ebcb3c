// Requests to this season's own pages: JSON both ways, the page's token on everything that writes.

const token = () => document.querySelector('meta[name="csrf-token"]').content;

/** An answer that is not `ok`, with the text a person reads. */
export class Refused extends Error {
  constructor(body, status) {
    const where = body.where ? `${body.where}: ` : "";
    const expected = body.expected ? `; expected ${body.expected}` : "";
    super(`${where}${body.what}${expected}. ${body.do ?? ""}`.trim());
    this.body = body;
    this.status = status;
  }
}

async function answer(response) {
  let body;
  try {
    body = await response.json();
  } catch {
    body = { what: `the answer cannot be read (status ${response.status})`, do: "Try again." };
  }
  if (!response.ok || body.ok === false) throw new Refused(body, response.status);
  return body;
}

/** Read JSON from a path of this site. */
export async function read(path) {
  return answer(await fetch(path, { headers: { Accept: "application/json" } }));
}

/** Send JSON to a path of this site and read the answer; it is sent even if the page is left. */
export async function send(path, body = {}) {
  return answer(await fetch(path, {
    method: "POST",
    keepalive: true,
    headers: { Accept: "application/json", "Content-Type": "application/json", "X-CSRFToken": token() },
    body: JSON.stringify(body),
  }));
}
