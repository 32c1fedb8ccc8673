// Lines above the page: the station is gone, photos are on their way.

const place = document.getElementById('notices');
const shown = new Map();

export function notice(id, title, text = '', { share = null, link = null } = {}) {
  if (!place) return;
  let box = shown.get(id);
  if (!box) {
    box = document.createElement('div');
    box.className = 'notice';
    box.dataset.notice = id;
    const words = document.createElement('div');
    words.append(document.createElement('b'), document.createElement('span'));
    box.append(words);
    place.append(box);
    shown.set(id, box);
  }
  const words = box.firstChild;
  // set only where it changes, or readers of the screen say it over and over
  if (words.children[0].textContent !== title) words.children[0].textContent = title;
  if (words.children[1].textContent !== text) words.children[1].textContent = text;
  let bar = words.querySelector('progress');
  if (share === null) bar?.remove();
  else {
    if (!bar) {
      bar = document.createElement('progress');
      bar.max = 1;
      bar.setAttribute('aria-label', title);
      words.append(bar);
    }
    bar.value = share;
  }
  box.querySelector('a')?.remove();
  if (link) {
    const go = document.createElement('a');
    go.href = link.href;
    go.textContent = link.text;
    go.className = 'button second';
    box.append(go);
  }
}

export function unnotice(id) {
  shown.get(id)?.remove();
  shown.delete(id);
}
