// Says when the station is gone, and when it is back.

import { notice, unnotice } from './notices.js';

const EVERY_MS = 4000;
const PATIENCE_MS = 6000;

async function answers() {
  try {
    const response = await fetch('/alive', { signal: AbortSignal.timeout(PATIENCE_MS), cache: 'no-store' });
    return response.ok || response.status === 401 || response.status === 429;
  } catch {
    return false;
  }
}

export function watch(back) {
  let gone = false;
  const look = async () => {
    const here = await answers();
    if (!here && !gone) {
      notice('gone', 'The station does not answer', 'Is its computer on, and this device on the shop’s net? Photos are kept here until it is back.');
    }
    if (here && gone) {
      unnotice('gone');
      back();
    }
    gone = !here;
    setTimeout(look, EVERY_MS);
  };
  addEventListener('offline', () => { if (!gone) look(); });
  look();
}
