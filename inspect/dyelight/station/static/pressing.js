import { notSaved, post } from './wire.js';

export function start() {
  const form = document.getElementById('pressing');
  const answer = document.getElementById('pressing-answer');
  const { press, back } = form.dataset;
  form.addEventListener('submit', (event) => event.preventDefault());

  const attempt = async (work) => {
    answer.textContent = '';
    try { return await work(); } catch (trouble) {
      answer.textContent = notSaved(trouble);
      return null;
    }
  };
  const choosePress = (name) => attempt(async () => {
    await post('/pressing', { press: name });
    location.replace(`/pressing?back=${encodeURIComponent(back)}`);
  });
  const change = (tile, text) => attempt(async () => {
    const held = await post('/pressing', { press, name: tile.dataset.name, value: text });
    tile.querySelector('[data-shown]').textContent = held.shown;
    tile.classList.add('changed');
    for (const chip of tile.querySelectorAll('[data-take]')) {
      chip.setAttribute('aria-pressed', String(chip.dataset.take === held.shown));
    }
    return held;
  });

  for (const chip of form.querySelectorAll('[data-choose-press]')) {
    chip.addEventListener('click', () => choosePress(chip.dataset.choosePress));
  }
  const other = form.querySelector('[data-open]');
  other.addEventListener('click', () => {
    const field = document.getElementById('new-press');
    field.hidden = !field.hidden;
    other.setAttribute('aria-expanded', String(!field.hidden));
  });
  form.querySelector('[data-take-press]').addEventListener('click', () => {
    const name = form.querySelector('[data-press-name]').value.trim();
    if (name) choosePress(name);
  });

  const tiles = [...form.querySelectorAll('.tile')].map((tile) => fill(tile, change, form));
  const done = document.getElementById('done');
  done.addEventListener('click', async (event) => {
    // a value that was tapped a moment ago goes first
    event.preventDefault();
    const settled = await Promise.all(tiles.map((flush) => flush()));
    if (settled.every((good) => good !== null)) location.assign(done.href);
  });
}

function fill(tile, change, form) {
  const face = tile.querySelector('.face');
  const edit = tile.querySelector('.edit');
  const show = (open) => {
    edit.hidden = !open;
    tile.classList.toggle('open', open);
    face.setAttribute('aria-expanded', String(open));
  };
  face.addEventListener('click', () => {
    const opening = edit.hidden;
    for (const open of form.querySelectorAll('.tile.open')) {
      if (open !== tile) open.querySelector('.face').click();
    }
    show(opening);
  });
  const stepper = tile.querySelector('.stepper');
  if (stepper) {
    const field = stepper.querySelector('input');
    const step = Number(stepper.dataset.step);
    let waits = 0;
    let last = Promise.resolve(true);
    const flush = () => {
      if (waits) {
        clearTimeout(waits);
        waits = 0;
        last = change(tile, field.value);
      }
      return last;
    };
    const later = () => {
      clearTimeout(waits);
      waits = setTimeout(flush, 300);
    };
    const by = (sign) => () => {
      const now = Number(field.value.replace(',', '.'));
      const next = field.value ? now + sign * step : Number(stepper.dataset.begin);
      field.value = String(Math.max(0, Math.round(next * 100) / 100));
      later();
    };
    stepper.querySelector('[data-less]').addEventListener('click', by(-1));
    stepper.querySelector('[data-more]').addEventListener('click', by(1));
    field.addEventListener('change', later);
    return flush;
  }
  for (const chip of tile.querySelectorAll('[data-take]')) {
    chip.addEventListener('click', async () => {
      if (await change(tile, chip.dataset.take)) show(false);
    });
  }
  tile.querySelector('[data-take-other]').addEventListener('click', async () => {
    const text = tile.querySelector('[data-other]').value.trim();
    if (text && await change(tile, text)) show(false);
  });
  return () => Promise.resolve(true);
}
