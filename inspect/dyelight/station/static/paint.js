// Draw pictures and outlines into a pane [left, top, width, height] of the canvas.

const UNSMOOTHED_FROM = 2.5;

export function paintPicture(pen, image, view, [left, top, width, height], fine, clip = null) {
  pen.save();
  pen.beginPath();
  pen.rect(...(clip ?? [left, top, width, height]));
  pen.clip();
  pen.fillStyle = '#6f6f6f';
  pen.fillRect(left, top, width, height);
  pen.translate(left + width / 2, top + height / 2);
  pen.scale(view.zoom, view.zoom);
  // close up, every pixel is shown as the square that it is
  pen.imageSmoothingEnabled = view.zoom * fine < UNSMOOTHED_FROM;
  pen.imageSmoothingQuality = 'high';
  pen.drawImage(image, -view.x, -view.y);
  pen.restore();
}

export function paintOutlines(pen, marks, view, [left, top, width, height], pxPerMm, chosen) {
  pen.save();
  pen.beginPath();
  pen.rect(left, top, width, height);
  pen.clip();
  const at = ([x, y]) => [
    left + width / 2 + (x * pxPerMm - view.x) * view.zoom,
    top + height / 2 + (y * pxPerMm - view.y) * view.zoom,
  ];
  marks.forEach((mark, index) => {
    const ring = roomy(mark.outline.map(at));
    for (const [colour, line] of [['#000', index === chosen ? 7 : 5], ['#fff', index === chosen ? 4 : 2]]) {
      pen.beginPath();
      ring.forEach(([x, y], step) => (step ? pen.lineTo(x, y) : pen.moveTo(x, y)));
      pen.closePath();
      pen.lineJoin = 'round';
      pen.lineWidth = line;
      pen.strokeStyle = colour;
      pen.stroke();
    }
    if (mark.number) tag(pen, mark.number, ring);
  });
  pen.restore();
}

function roomy(ring) {
  // a speck's outline is drawn wide enough to be seen, and clear of the speck
  const cx = ring.reduce((sum, point) => sum + point[0], 0) / ring.length;
  const cy = ring.reduce((sum, point) => sum + point[1], 0) / ring.length;
  return ring.map(([x, y]) => {
    const away = Math.hypot(x - cx, y - cy) || 1;
    const wide = Math.max(away + 5, 12) / away;
    return [cx + (x - cx) * wide, cy + (y - cy) * wide];
  });
}

function tag(pen, text, ring) {
  const [x, y] = ring.reduce((best, point) => (point[1] < best[1] ? point : best));
  pen.font = '700 15px ui-sans-serif, system-ui, sans-serif';
  const wide = pen.measureText(text).width + 12;
  const top = Math.max(y - 26, 2);
  pen.fillStyle = '#000';
  pen.fillRect(x - wide / 2 - 1, top - 1, wide + 2, 24);
  pen.fillStyle = '#fff';
  pen.fillRect(x - wide / 2, top, wide, 22);
  pen.fillStyle = '#000';
  pen.textAlign = 'center';
  pen.textBaseline = 'middle';
  pen.fillText(text, x, top + 11);
}
