// Every page starts here.

import * as queue from './queue.js';
import { notice, unnotice } from './notices.js';
import { watch } from './alive.js';

const page = document.body.dataset.page;
const pages = {
  home: () => import('./home.js'),
  job: () => import('./job.js'),
  check: () => import('./check.js'),
  viewer: () => import('./viewer.js'),
  pressing: () => import('./pressing.js'),
  pair: () => import('./pair.js'),
  latest: () => import('./latest.js'),
};

// the photo that was taken on this very page opens its check; one that waited from before does not
const fresh = new Set();

async function received(answer, photo) {
  if (fresh.has(photo.key)) {
    location.assign(`/checks/${answer.check}`);
    return;
  }
  notice('late', 'A photo from before was received', '',
    { link: { href: `/checks/${answer.check}`, text: 'Its result' } });
}

async function refused(trouble) {
  notice('refused', trouble.text, trouble.remedy);
}

const settle = () => queue.drain(received, refused);

export async function send(file, where) {
  unnotice('refused');
  fresh.add(await queue.add(file, where));
  await settle();
}

export function onPhoto(input, where) {
  const take = async () => {
    const [file] = input.files;
    if (file) await send(file, where());
    // taken again, the same file must count as a change
    input.value = '';
  };
  input.addEventListener('change', take);
  // a photo may have been taken before this script was there
  take();
}

if (page !== 'pair') {
  watch(settle);
  settle();
}
pages[page]?.().then((module) => module.start({ send, onPhoto }));
