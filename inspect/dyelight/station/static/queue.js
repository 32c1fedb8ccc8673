// Photos on their way. Each is kept in the browser's own store until the station has said that it
// received it, so that neither a dead battery nor a dead server loses one. Each has a key of its
// own: sent twice, it is one photo.

import { Gone, Told, get, headers, newKey, pause } from './wire.js';
import { notice, unnotice } from './notices.js';

const STORE = 'photos';
const WAITS_MS = [1000, 2000, 4000, 8000];
const STALL_MS = 60000;
const memory = new Map();
let busy = false;
let again = false;

function open() {
  return new Promise((done, fail) => {
    const asked = indexedDB.open('dyelight-station', 1);
    asked.onupgradeneeded = () => asked.result.createObjectStore(STORE, { keyPath: 'key' });
    asked.onsuccess = () => done(asked.result);
    asked.onerror = () => fail(asked.error);
  });
}

async function store(mode, work) {
  const base = await open();
  try {
    return await new Promise((done, fail) => {
      const turn = base.transaction(STORE, mode);
      const asked = work(turn.objectStore(STORE));
      turn.oncomplete = () => done(asked.result);
      turn.onabort = () => fail(turn.error);
      turn.onerror = () => fail(turn.error);
    });
  } finally {
    base.close();
  }
}

async function waiting() {
  let kept = [];
  try { kept = await store('readonly', (photos) => photos.getAll()); } catch { /* private mode */ }
  const known = new Set(kept.map((photo) => photo.key));
  return [...kept, ...[...memory.values()].filter((photo) => !known.has(photo.key))]
    .sort((one, other) => one.made - other.made);
}

async function forget(key) {
  memory.delete(key);
  try { await store('readwrite', (photos) => photos.delete(key)); } catch { /* it was only here */ }
}

export async function add(file, where) {
  // `where`: job, and again or together with which check
  const photo = { key: newKey(), made: Date.now(), where, bytes: file };
  memory.set(photo.key, photo);
  try { await store('readwrite', (photos) => photos.put(photo)); } catch { /* kept in memory */ }
  return photo.key;
}

function put(photo) {
  const said = new URLSearchParams(Object.entries(photo.where).filter(([, value]) => value));
  return new Promise((done, fail) => {
    const line = new XMLHttpRequest();
    let stalled = setTimeout(() => line.abort(), STALL_MS);
    const alive = () => {
      clearTimeout(stalled);
      stalled = setTimeout(() => line.abort(), STALL_MS);
    };
    line.open('PUT', `/photos/${photo.key}?${said}`);
    for (const [name, value] of Object.entries(headers())) line.setRequestHeader(name, value);
    line.setRequestHeader('Content-Type', 'application/octet-stream');
    line.responseType = 'json';
    line.upload.onprogress = (event) => {
      alive();
      notice('sending', 'Sending the photo', '', { share: event.loaded / (event.total || 1) });
    };
    line.upload.onload = () => {
      alive();
      notice('sending', 'Sent. First look', '', { share: 1 });
    };
    line.onload = () => {
      const answer = line.response ?? {};
      if (line.status === 200 || line.status === 201) done(answer);
      else fail(new Told(line.status, answer.trouble ?? 'The photo was not taken.', answer.remedy));
    };
    line.onerror = line.onabort = () => fail(new Gone());
    line.onloadend = () => clearTimeout(stalled);
    line.send(photo.bytes);
  });
}

async function deliver(photo, isRetry) {
  if (isRetry) {
    // what the station has already needs not travel again
    const known = await get(`/photos/${photo.key}`);
    if (known.check) return known;
  }
  return put(photo);
}

const passing = (status) => [401, 403, 408, 429, 500, 502, 503, 507].includes(status);

export async function drain(received, refused) {
  // Send all that waits, one after the other; one drain at a time.
  if (busy) { again = true; return; }
  busy = true;
  try {
    do {
      again = false;
      for (const photo of await waiting()) await untilSettled(photo, received, refused);
    } while (again);
  } finally {
    busy = false;
    unnotice('sending');
  }
}

async function untilSettled(photo, received, refused) {
  for (let attempt = 0; ; attempt += 1) {
    try {
      const answer = await deliver(photo, attempt > 0 || Date.now() - photo.made > 5000);
      await forget(photo.key);
      unnotice('kept');
      unnotice('sending');
      await received(answer, photo);
      return;
    } catch (trouble) {
      if (!(trouble instanceof Gone || trouble instanceof Told)) throw trouble;
      unnotice('sending');
      if (trouble instanceof Told && !passing(trouble.status)) {
        await forget(photo.key);
        unnotice('kept');
        await refused(trouble, photo);
        return;
      }
      const text = trouble instanceof Told
        ? `${trouble.words} The photo is kept here.`
        : 'It is kept here and sent again by itself. Leave this page open.';
      const link = trouble instanceof Told && trouble.status === 401
        ? { href: '/', text: 'Sign in' } : null;
      notice('kept', 'Photo not received yet', text, { link });
      if (trouble instanceof Told && (trouble.status === 401 || trouble.status === 403)) return;
      await pause(WAITS_MS[Math.min(attempt, WAITS_MS.length - 1)]);
    }
  }
}
