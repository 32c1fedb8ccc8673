import { get, notSaved, pause, post } from './wire.js';

let onPhotoOf;

export function start({ onPhoto }) {
  onPhotoOf = onPhoto;
  fill();
  follow();
}

const box = () => document.getElementById('check');

function fill() {
  const { check, job } = box().dataset;
  for (const input of document.querySelectorAll('input.again')) {
    onPhotoOf(input, () => ({ job, again: check }));
  }
  document.getElementById('agree')?.addEventListener('click', async (event) => {
    event.target.disabled = true;
    try {
      await post(`/checks/${check}/rulings`, { finding: null, ruled: null, why: '' });
      await renew();
    } catch (trouble) {
      event.target.disabled = false;
      say(notSaved(trouble));
    }
  });
  document.getElementById('overrule')?.addEventListener('click', () => askVerdict(check));
  for (const button of document.querySelectorAll('button.ask')) {
    button.addEventListener('click', () => askFinding(check, button.dataset));
  }
}

function say(text) {
  let line = document.getElementById('said');
  if (!line) {
    line = document.createElement('p');
    line.id = 'said';
    line.className = 'answer';
    line.setAttribute('role', 'alert');
    document.querySelector('.rule')?.append(line);
  }
  line.textContent = text;
}

async function follow() {
  for (;;) {
    const { check, version, state, pictures } = box().dataset;
    if (state === 'failed' || (state === 'done' && pictures)) return;
    try {
      const news = await get(`/checks/${check}/news?version=${version}`);
      if (String(news.version) !== version) await renew();
    } catch {
      await pause(2000);
    }
  }
}

async function renew() {
  const response = await fetch(location.pathname, { headers: { Accept: 'text/html' } });
  if (!response.ok) throw new Error('gone');
  const page = new DOMParser().parseFromString(await response.text(), 'text/html');
  const fresh = page.getElementById('check');
  if (!fresh) return;
  document.title = page.title;
  box().replaceWith(document.adoptNode(fresh));
  document.getElementById('word')?.closest('section').setAttribute('role', 'status');
  fill();
}

function askVerdict(check) {
  const choices = document.getElementById('rule-choices');
  ask(check, null, 'What holds for this panel?', JSON.parse(choices.dataset.verdicts));
}

function askFinding(check, { finding, title, kind }) {
  const choices = document.getElementById('rule-choices');
  const kinds = JSON.parse(choices.dataset.kinds).filter(([word]) => word !== kind);
  ask(check, finding, `${title}: what is it then?`,
    [['nothing', 'Nothing is there'], ...kinds]);
}

function ask(check, finding, heading, options) {
  const dialog = document.getElementById('rule-dialog');
  const choices = document.getElementById('rule-choices');
  const why = document.getElementById('rule-why');
  const answer = document.getElementById('rule-answer');
  document.getElementById('rule-heading').textContent = heading;
  answer.textContent = '';
  why.value = '';
  let chosen = null;
  choices.replaceChildren(...options.map(([word, text]) => {
    const chip = document.createElement('button');
    chip.type = 'button';
    chip.className = 'chip';
    chip.textContent = text;
    chip.setAttribute('aria-pressed', 'false');
    chip.addEventListener('click', () => {
      chosen = word;
      for (const other of choices.children) other.setAttribute('aria-pressed', String(other === chip));
    });
    return chip;
  }));
  document.getElementById('rule-save').onclick = async () => {
    if (chosen === null) { answer.textContent = 'Choose one above.'; return; }
    if (!why.value.trim()) { answer.textContent = 'Say why, in a word or two.'; why.focus(); return; }
    try {
      await post(`/checks/${check}/rulings`, { finding, ruled: chosen, why: why.value });
      dialog.close();
      await renew();
    } catch (trouble) {
      answer.textContent = notSaved(trouble);
    }
  };
  dialog.showModal();
}
