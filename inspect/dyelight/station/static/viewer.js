// Photo, expected look and difference under one lens: what is moved or zoomed in one is in all.

import { get, newKey, notSaved, post } from './wire.js';
import { View } from './view.js';
import { paintOutlines, paintPicture } from './paint.js';
import { handlePointers, handleKeys } from './hands.js';

const $ = (id) => document.getElementById(id);
const calm = matchMedia('(prefers-reduced-motion: reduce)');
const PICTURES = ['observed', 'expected', 'difference'];
const NAMES = { observed: 'Photo', expected: 'Expected', difference: 'Difference' };

class Viewer {
  constructor(root) {
    this.check = root.dataset.check;
    this.stage = $('stage');
    this.canvas = $('canvas');
    this.images = {};
    this.shown = 'observed';
    this.other = 'expected';
    this.way = 'one';
    this.swapped = false;
    this.split = 0.5;
    this.outlines = true;
    this.adding = false;
    this.drawn = null;
    this.place = -1;
    this.clock = 0;
    this.asked = false;
  }

  async load() {
    this.facts = await get(`/checks/${this.check}/facts.json`);
    await Promise.all(PICTURES.map(async (name) => {
      const image = new Image();
      image.src = `/checks/${this.check}/${name}.jpg`;
      await image.decode();
      this.images[name] = image;
    }));
    const { naturalWidth, naturalHeight } = this.images.observed;
    this.pxPerMm = naturalWidth / this.facts.panel.width;
    this.view = new View(naturalWidth, naturalHeight);
    $('stage-note').textContent = '';
  }

  get marks() { return [...this.facts.findings.filter((item) => !item.whole), ...this.facts.missed]; }

  panes() {
    const { clientWidth: width, clientHeight: height } = this.stage;
    if (this.way !== 'beside') return [[0, 0, width, height]];
    return width > height
      ? [[0, 0, width / 2 - 1, height], [width / 2 + 1, 0, width / 2 - 1, height]]
      : [[0, 0, width, height / 2 - 1], [0, height / 2 + 1, width, height / 2 - 1]];
  }

  paneAt(x, y) {
    return this.panes().find(([left, top, width, height]) =>
      x >= left && x < left + width && y >= top && y < top + height) ?? this.panes()[0];
  }

  ask() {
    // at most one drawing for each frame of the screen
    if (this.asked) return;
    this.asked = true;
    requestAnimationFrame(() => { this.asked = false; this.draw(); });
  }

  draw() {
    const { clientWidth: width, clientHeight: height } = this.stage;
    const fine = devicePixelRatio || 1;
    this.canvas.width = Math.round(width * fine);
    this.canvas.height = Math.round(height * fine);
    const pen = this.canvas.getContext('2d');
    pen.scale(fine, fine);
    const panes = this.panes();
    this.view.hold(panes[0][2], panes[0][3]);
    const first = this.way === 'turns' && this.swapped ? this.other : this.shown;
    paintPicture(pen, this.images[first], this.view, panes[0], fine);
    if (this.way === 'beside') paintPicture(pen, this.images[this.other], this.view, panes[1], fine);
    if (this.way === 'slide') {
      const at = width * this.split;
      paintPicture(pen, this.images[this.other], this.view, panes[0], fine, [at, 0, width - at, height]);
    }
    if (this.outlines || this.adding) {
      for (const pane of panes) paintOutlines(pen, this.marks, this.view, pane, this.pxPerMm, this.place);
    }
    if (this.drawn) paintOutlines(pen, [{ number: '', outline: this.drawn }], this.view, panes[0], this.pxPerMm, 0);
    this.tell(first);
  }

  tell(first) {
    const { unit } = this.facts.panel;
    const x = (this.view.x / this.pxPerMm).toFixed(0);
    const y = (this.view.y / this.pxPerMm).toFixed(0);
    const names = this.way === 'one' || this.way === 'turns' ? NAMES[first]
      : `${NAMES[this.shown]}, ${NAMES[this.other]}`;
    $('scale').textContent = `${names} · ${Math.round(this.view.zoom * 100)} % · ${x}, ${y} ${unit}`;
    const handle = $('handle');
    handle.hidden = this.way !== 'slide';
    handle.style.left = `${this.split * 100}%`;
    handle.setAttribute('aria-valuenow', String(Math.round(this.split * 100)));
  }

  show(name) {
    this.shown = name;
    if (this.other === name) this.other = name === 'expected' ? 'observed' : 'expected';
    this.offer();
    this.press('show', name);
    this.ask();
  }

  offer() {
    const choice = $('other');
    choice.replaceChildren(...PICTURES.filter((name) => name !== this.shown).map((name) => {
      const option = document.createElement('option');
      option.value = name;
      option.textContent = NAMES[name];
      option.selected = name === this.other;
      return option;
    }));
  }

  press(what, value) {
    for (const button of document.querySelectorAll(`[data-${what}]`)) {
      button.setAttribute('aria-pressed', String(button.dataset[what] === value));
    }
  }

  go(way) {
    if (way === 'turns' && this.way === 'turns') { this.swap(); return; }
    this.way = way;
    this.swapped = false;
    this.press('way', way);
    $('with-other').hidden = way === 'one';
    $('with-rate').hidden = way !== 'turns' || calm.matches;
    this.run(way === 'turns' && !calm.matches);
    $('halt').hidden = way !== 'turns' || calm.matches;
    this.note(way === 'turns' && calm.matches
      ? 'This device asks for less motion: choose In turns again to change the picture.' : '');
    this.ask();
  }

  swap() { this.swapped = !this.swapped; this.ask(); }

  run(on) {
    clearInterval(this.clock);
    this.clock = on ? setInterval(() => this.swap(), Number($('rate').value) * 1000) : 0;
    $('halt').textContent = on ? 'Stop' : 'Go on';
  }

  note(text, low = true) {
    $('stage-note').textContent = text;
    $('stage-note').classList.toggle('low', low);
  }

  visit(step) {
    if (!this.marks.length) return;
    this.choose((Math.max(this.place, step < 0 ? 0 : -1) + step + this.marks.length) % this.marks.length);
    const [x0, y0, x1, y1] = this.marks[this.place].box.map((edge) => edge * this.pxPerMm);
    const [, , width, height] = this.panes()[0];
    this.view.lookAt((x0 + x1) / 2, (y0 + y1) / 2,
      Math.min(width / (3 * (x1 - x0) + 60), height / (3 * (y1 - y0) + 60)));
    this.ask();
  }

  fit() {
    const [, , width, height] = this.panes()[0];
    this.view.fit(width, height);
    this.choose(-1);
  }

  choose(index) {
    this.place = index;
    [...$('places').children].forEach((button, each) =>
      button.setAttribute('aria-pressed', String(each === index)));
    this.ask();
  }

  zoomBy(times, x, y) {
    const [left, top, width, height] = this.paneAt(x ?? 0, y ?? 0);
    this.view.zoomAt(times, (x ?? left + width / 2) - left - width / 2, (y ?? top + height / 2) - top - height / 2);
    this.ask();
  }

  pointMm(x, y) {
    const [left, top, width, height] = this.paneAt(x, y);
    return this.view.pictureAt(x - left - width / 2, y - top - height / 2).map((value) => value / this.pxPerMm);
  }

  setAdding(on) {
    this.adding = on;
    this.drawn = null;
    $('add')?.setAttribute('aria-pressed', String(on));
    this.stage.classList.toggle('adding', on);
    if (on) this.go('one');
    this.note(on ? 'Draw around what was missed. Enter takes the middle of the view.' : '');
    this.ask();
  }

  dragMark(from, to) {
    const [cx, cy] = [(from[0] + to[0]) / 2, (from[1] + to[1]) / 2];
    const [rx, ry] = [Math.abs(to[0] - from[0]) / 2, Math.abs(to[1] - from[1]) / 2];
    this.drawn = Array.from({ length: 32 }, (_, index) => {
      const turn = (index / 32) * 2 * Math.PI;
      return [cx + rx * Math.cos(turn), cy + ry * Math.sin(turn)];
    });
    this.box = [cx - rx, cy - ry, cx + rx, cy + ry];
    this.ask();
  }

  markMiddle() {
    const [, , width, height] = this.panes()[0];
    const [x, y] = this.pointMm(width / 2, height / 2);
    const reach = Math.max(1, 30 / (this.view.zoom * this.pxPerMm));
    this.dragMark([x - reach, y - reach], [x + reach, y + reach]);
    this.askKind();
  }

  askKind() {
    const dialog = $('add-dialog');
    const choices = $('add-kinds');
    let kind = null;
    $('add-answer').textContent = '';
    const key = newKey();
    choices.replaceChildren(...JSON.parse(choices.dataset.kinds).map(([word, text]) => {
      const chip = document.createElement('button');
      chip.type = 'button';
      chip.className = 'chip';
      chip.textContent = text;
      chip.setAttribute('aria-pressed', 'false');
      chip.addEventListener('click', () => {
        kind = word;
        for (const each of choices.children) each.setAttribute('aria-pressed', String(each === chip));
      });
      return chip;
    }));
    $('add-save').onclick = async () => {
      if (!kind) { $('add-answer').textContent = 'Choose one above.'; return; }
      try {
        const held = await post(`/checks/${this.check}/missed`,
          { key, kind, box: this.box, why: $('add-why').value });
        this.facts.missed = held.missed;
        dialog.close();
        this.setAdding(false);
        this.list();
        this.note('Written down.');
      } catch (trouble) {
        $('add-answer').textContent = notSaved(trouble);
      }
    };
    dialog.onclose = () => { this.drawn = null; this.ask(); };
    dialog.showModal();
  }

  list() {
    $('places').replaceChildren(...this.marks.map((item, index) => {
      const button = document.createElement('button');
      button.type = 'button';
      button.className = 'tool';
      button.textContent = `${item.number} ${item.title}`;
      button.setAttribute('aria-pressed', 'false');
      button.addEventListener('click', () => { this.place = index; this.visit(0); });
      return button;
    }));
  }
}

export async function start() {
  const viewer = new Viewer($('viewer'));
  try {
    await viewer.load();
  } catch (trouble) {
    viewer.note(`The pictures did not come. ${notSaved(trouble)}`, false);
    return;
  }
  viewer.list();
  viewer.fit();
  viewer.offer();
  $('with-other').hidden = true;
  for (const button of document.querySelectorAll('[data-show]')) {
    button.addEventListener('click', () => viewer.show(button.dataset.show));
  }
  for (const button of document.querySelectorAll('[data-way]')) {
    button.addEventListener('click', () => viewer.go(button.dataset.way));
  }
  $('other').addEventListener('change', () => { viewer.other = $('other').value; viewer.ask(); });
  $('rate').addEventListener('input', () => {
    $('rate-text').textContent = `${Number($('rate').value).toFixed(1)} s`;
    viewer.run(true);
  });
  $('halt').addEventListener('click', () => viewer.run(!viewer.clock));
  const outlines = () => {
    viewer.outlines = !viewer.outlines;
    $('outlines').setAttribute('aria-pressed', String(viewer.outlines));
    viewer.ask();
  };
  $('outlines').addEventListener('click', outlines);
  $('in').addEventListener('click', () => viewer.zoomBy(1.6));
  $('out').addEventListener('click', () => viewer.zoomBy(1 / 1.6));
  $('fit').addEventListener('click', () => viewer.fit());
  $('add')?.addEventListener('click', () => viewer.setAdding(!viewer.adding));
  calm.addEventListener('change', () => viewer.go(viewer.way === 'turns' ? 'one' : viewer.way));
  new ResizeObserver(() => viewer.ask()).observe(viewer.stage);
  handlePointers(viewer);
  handleKeys(viewer, outlines);
  if (location.hash === '#add' && $('add')) viewer.setAdding(true);
}
