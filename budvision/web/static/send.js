// Requests to this season's own pages: JSON both ways, the page's token on everything that writes.

import { spoken } from "./language.js";

const token = () => document.querySelector('meta[name="csrf-token"]');

/** An answer that is not `ok`, with the text a person reads. */
export class Refused extends Error {
  constructor(body, status) {
    const { what, expected } = body;
    const wrong = expected ? spoken("{what}; expected {expected}", { what, expected }) : what;
    const withoutPlace = `${wrong}. ${body.do ?? ""}`.trim();
    super(body.where
      ? spoken("{where}: {text}", { where: body.where, text: withoutPlace }) : withoutPlace);
    this.withoutPlace = withoutPlace;
    this.body = body;
    this.status = status;
  }
}

/** Nobody answers at the season's address: the server is away, or the network, or another answers. */
export class Unreachable extends Error {
  constructor() {
    super(spoken("The season's computer does not answer."));
  }
}

async function ask(path, options) {
  let response;
  try {
    response = await fetch(path, options);
  } catch {
    throw new Unreachable();
  }
  return answer(response);
}

async function answer(response) {
  let body;
  try {
    body = await response.json();
  } catch {
    // cut off in the middle, or a page of somebody else (a network that asks for a log-in first)
    if (response.ok) throw new Unreachable();
    body = { what: spoken("the answer cannot be read (status {status})", { status: response.status }), do: spoken("Try again.") };
  }
  if (!response.ok || body.ok === false) throw new Refused(body, response.status);
  return body;
}

/** Read JSON from a path of this site. */
export async function read(path) {
  return ask(path, { headers: { Accept: "application/json" } });
}

/** Take a fresh token from a path of this site, after the page's own has grown old. */
export async function renewToken(path) {
  token().content = (await read(path)).token;
}

/**
 * Send JSON, or a form with a file, to a path of this site and read the answer. JSON is sent even
 * if the page is left; browsers allow that for small requests only.
 */
export async function send(path, body = {}, { patience = 0 } = {}) {
  const form = body instanceof FormData;
  const kind = form ? {} : { "Content-Type": "application/json" };
  return ask(path, {
    method: "POST",
    keepalive: !form,
    signal: patience ? AbortSignal.timeout(patience) : undefined,
    headers: { Accept: "application/json", "X-CSRFToken": token().content, ...kind },
    body: form ? body : JSON.stringify(body),
  });
}
