import { headers, notSaved, pause, read, Gone } from './wire.js';

export function start() {
  const search = document.getElementById('search');
  const jobs = document.getElementById('jobs');
  let asked = 0;
  const find = async () => {
    asked += 1;
    const mine = asked;
    await pause(150);
    if (mine !== asked) return;
    let response;
    try { response = await fetch(`/jobs?q=${encodeURIComponent(search.value)}`); } catch { return; }
    const text = await response.text();
    if (response.ok && mine === asked) {
      const found = new DOMParser().parseFromString(text, 'text/html');
      jobs.replaceChildren(...found.body.childNodes);
    }
  };
  search.addEventListener('input', find);
  // somebody may have typed before this script was there
  if (search.value) find();
  const code = document.getElementById('code-photo');
  const readCode = async () => {
    const [file] = code.files;
    if (!file) return;
    const answer = document.getElementById('code-answer');
    answer.textContent = 'Reading the code.';
    try {
      let response;
      try {
        response = await fetch('/codes', {
          method: 'PUT',
          headers: headers({ 'Content-Type': 'application/octet-stream' }),
          body: file,
        });
      } catch { throw new Gone(); }
      const found = await read(response);
      location.assign(`/jobs/${found.job}`);
    } catch (trouble) {
      answer.textContent = trouble instanceof Gone
        ? 'The station does not answer. Photograph the code again when it does.' : notSaved(trouble);
    }
    code.value = '';
  };
  code?.addEventListener('change', readCode);
  if (code) readCode();
}
