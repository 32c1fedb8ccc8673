import { get, notSaved, pause, post } from './wire.js';
import { notice } from './notices.js';

export function start({ onPhoto }) {
  const place = document.querySelector('.job');
  const { job, since } = place.dataset;
  const together = document.getElementById('together');
  onPhoto(document.getElementById('photo'),
    () => ({ job, together: together?.checked ? together.value : '' }));
  const camera = document.getElementById('camera');
  camera?.addEventListener('change', async () => {
    try {
      await post(`/jobs/${job}/camera`, { on: camera.checked });
      if (camera.checked) follow(job, since, camera);
    } catch (trouble) {
      camera.checked = !camera.checked;
      notice('camera', notSaved(trouble));
    }
  });
  if (camera?.checked) follow(job, since, camera);
}

async function follow(job, since, camera) {
  // the next photo of the fixed camera opens its check by itself
  while (camera.checked) {
    try {
      const news = await get(`/jobs/${job}/newest?since=${since}`);
      if (news.check && camera.checked) {
        location.assign(`/checks/${news.check}`);
        return;
      }
    } catch {
      await pause(3000);
    }
  }
}
