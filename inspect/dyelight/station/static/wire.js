// Requests to the station, and what is said where one fails.

const token = document.querySelector('meta[name="token"]')?.content ?? '';

export class Told extends Error {
  // What the station answered where it refused: words for people.
  constructor(status, text, remedy) {
    super(text);
    this.status = status;
    this.text = text;
    this.remedy = remedy ?? '';
  }
  get words() { return [this.text, this.remedy].filter(Boolean).join(' '); }
}

export class Gone extends Error {}

export const headers = (more = {}) => ({ 'X-Station-Token': token, ...more });

export async function read(response) {
  if (response.ok) {
    return response.status === 204 ? null : response.json();
  }
  let said = {};
  try { said = await response.json(); } catch { /* an answer without words */ }
  throw new Told(response.status, said.trouble ?? 'The station did not do this.', said.remedy);
}

export async function post(url, body) {
  let response;
  try {
    response = await fetch(url, {
      method: 'POST',
      headers: headers({ 'Content-Type': 'application/json' }),
      body: JSON.stringify(body),
    });
  } catch {
    throw new Gone();
  }
  return read(response);
}

export async function get(url, seconds = 40) {
  let response;
  try {
    response = await fetch(url, {
      headers: { Accept: 'application/json' },
      signal: AbortSignal.timeout(seconds * 1000),
    });
  } catch {
    throw new Gone();
  }
  return read(response);
}

export const notSaved = (trouble) => trouble instanceof Told
  ? trouble.words
  : 'The station does not answer, so nothing was written down. Try again when it does.';

export const pause = (ms) => new Promise((done) => { setTimeout(done, ms); });

export function newKey() {
  // crypto.randomUUID needs https, which the shop's net often lacks
  return Array.from(crypto.getRandomValues(new Uint8Array(16)),
    (byte) => byte.toString(16).padStart(2, '0')).join('');
}
