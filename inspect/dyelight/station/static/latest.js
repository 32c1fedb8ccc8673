import { notSaved, post } from './wire.js';
import { notice } from './notices.js';

export function start() {
  document.getElementById('leave').addEventListener('click', async () => {
    try {
      await post('/leave', {});
      location.assign('/');
    } catch (trouble) {
      notice('leave', notSaved(trouble));
    }
  });
}
