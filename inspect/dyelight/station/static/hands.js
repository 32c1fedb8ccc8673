// Fingers, mouse and keys on the stage.

const TWICE_MS = 320;

export function handlePointers(viewer) {
  const { stage } = viewer;
  const down = new Map();
  let start = null;
  let tapped = 0;
  const at = (event) => {
    const box = stage.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  };
  stage.addEventListener('pointerdown', (event) => {
    if (event.target.id === 'handle') return;
    stage.setPointerCapture(event.pointerId);
    down.set(event.pointerId, at(event));
    if (viewer.adding && down.size === 1) start = viewer.pointMm(...at(event));
    if (down.size > 1) start = null;
  });
  stage.addEventListener('pointermove', (event) => {
    const before = down.get(event.pointerId);
    if (!before) return;
    const now = at(event);
    if (down.size === 1) {
      if (start) viewer.dragMark(start, viewer.pointMm(...now));
      else viewer.view.moveBy(now[0] - before[0], now[1] - before[1]);
    } else {
      pinch(viewer, [...down.entries()].filter(([id]) => id !== event.pointerId)[0][1], before, now);
    }
    down.set(event.pointerId, now);
    viewer.ask();
  });
  const up = (event) => {
    if (!down.delete(event.pointerId)) return;
    const now = at(event);
    if (start && viewer.drawn) {
      const [x0, , x1] = viewer.box;
      if ((x1 - x0) * viewer.pxPerMm * viewer.view.zoom > 8) viewer.askKind();
      else viewer.drawn = null;
      start = null;
      return;
    }
    start = null;
    if (event.type === 'pointerup' && event.pointerType !== 'mouse') {
      if (performance.now() - tapped < TWICE_MS) viewer.zoomBy(2.5, ...now);
      tapped = performance.now();
    }
  };
  stage.addEventListener('pointerup', up);
  stage.addEventListener('pointercancel', up);
  stage.addEventListener('dblclick', (event) => viewer.zoomBy(2.5, ...at(event)));
  stage.addEventListener('wheel', (event) => {
    event.preventDefault();
    viewer.zoomBy(Math.exp(-event.deltaY / (event.deltaMode ? 20 : 500)), ...at(event));
  }, { passive: false });

  const handle = document.getElementById('handle');
  const slideTo = (share) => {
    viewer.split = Math.min(Math.max(share, 0), 1);
    viewer.ask();
  };
  handle.addEventListener('pointerdown', (event) => {
    event.stopPropagation();
    handle.setPointerCapture(event.pointerId);
  });
  handle.addEventListener('pointermove', (event) => {
    if (handle.hasPointerCapture(event.pointerId)) slideTo(at(event)[0] / stage.clientWidth);
  });
  handle.addEventListener('keydown', (event) => {
    const step = { ArrowLeft: -0.02, ArrowRight: 0.02, Home: -1, End: 1 }[event.key];
    if (step === undefined) return;
    event.preventDefault();
    event.stopPropagation();
    slideTo(viewer.split + step);
  });
}

function pinch(viewer, still, before, now) {
  const [left, top, width, height] = viewer.paneAt(...still);
  const apart = (one, other) => Math.hypot(one[0] - other[0], one[1] - other[1]) || 1;
  const middle = [(still[0] + now[0]) / 2, (still[1] + now[1]) / 2];
  viewer.view.moveBy((now[0] - before[0]) / 2, (now[1] - before[1]) / 2);
  viewer.view.zoomAt(apart(still, now) / apart(still, before),
    middle[0] - left - width / 2, middle[1] - top - height / 2);
}

export function handleKeys(viewer, outlines) {
  const move = { ArrowLeft: [60, 0], ArrowRight: [-60, 0], ArrowUp: [0, 60], ArrowDown: [0, -60] };
  const acts = {
    p: () => viewer.show('observed'),
    e: () => viewer.show('expected'),
    d: () => viewer.show('difference'),
    b: () => viewer.go(viewer.way === 'beside' ? 'one' : 'beside'),
    s: () => viewer.go(viewer.way === 'slide' ? 'one' : 'slide'),
    t: () => viewer.go('turns'),
    o: outlines,
    n: () => viewer.visit(1),
    N: () => viewer.visit(-1),
    a: () => document.getElementById('add')?.click(),
    '+': () => viewer.zoomBy(1.6),
    '=': () => viewer.zoomBy(1.6),
    '-': () => viewer.zoomBy(1 / 1.6),
    0: () => viewer.fit(),
  };
  document.addEventListener('keydown', (event) => {
    const typing = event.target.matches('input:not([type=range]), select, textarea');
    if (typing || event.ctrlKey || event.metaKey || event.altKey || document.querySelector('dialog[open]')) return;
    if (event.key === 'Escape') {
      if (viewer.adding) viewer.setAdding(false);
      else if (viewer.way !== 'one') viewer.go('one');
      return;
    }
    if (event.key === 'Enter' && viewer.adding && event.target === viewer.stage) {
      event.preventDefault();
      viewer.markMiddle();
      return;
    }
    if (move[event.key] && !event.target.matches('input, [role=slider]')) {
      event.preventDefault();
      viewer.view.moveBy(...move[event.key]);
      viewer.ask();
      return;
    }
    acts[event.key]?.();
  });
}
