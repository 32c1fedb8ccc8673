// Where the lens is: the picture's point in the middle, and screen px for each px of the picture.

const MOST = 24;

export class View {
  constructor(width, height) {
    this.width = width;
    this.height = height;
    this.x = width / 2;
    this.y = height / 2;
    this.zoom = 1;
    this.least = 0.01;
    this.whole = true;
  }

  hold(paneWidth, paneHeight) {
    // a pane that became smaller or larger still shows the whole where it did
    this.least = Math.min(paneWidth / this.width, paneHeight / this.height);
    if (this.whole) this.fit(paneWidth, paneHeight);
    this.zoom = Math.min(Math.max(this.zoom, this.least), MOST);
    this.x = Math.min(Math.max(this.x, 0), this.width);
    this.y = Math.min(Math.max(this.y, 0), this.height);
  }

  fit(paneWidth, paneHeight) {
    this.least = Math.min(paneWidth / this.width, paneHeight / this.height);
    this.zoom = this.least;
    this.x = this.width / 2;
    this.y = this.height / 2;
    this.whole = true;
  }

  lookAt(x, y, zoom) {
    this.x = x;
    this.y = y;
    this.zoom = Math.min(Math.max(zoom, this.least), 8);
    this.whole = false;
  }

  zoomAt(times, dx, dy) {
    // the picture's point under (dx, dy) from the pane's middle stays there
    const before = this.zoom;
    this.zoom = Math.min(Math.max(before * times, this.least), MOST);
    this.x += dx / before - dx / this.zoom;
    this.y += dy / before - dy / this.zoom;
    this.whole = this.zoom <= this.least * 1.001;
    if (this.whole) { this.x = this.width / 2; this.y = this.height / 2; }
  }

  moveBy(dx, dy) {
    if (this.whole) return;
    this.x -= dx / this.zoom;
    this.y -= dy / this.zoom;
  }

  pictureAt(dx, dy) { return [this.x + dx / this.zoom, this.y + dy / this.zoom]; }
}
