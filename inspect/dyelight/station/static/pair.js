import { notSaved, post } from './wire.js';

export function start() {
  const answer = document.getElementById('pair-answer');
  const code = document.getElementById('code');
  const attempt = async (work) => {
    answer.textContent = '';
    try { await work(); } catch (trouble) { answer.textContent = notSaved(trouble); code.select(); }
  };
  document.getElementById('pair').addEventListener('submit', (event) => {
    event.preventDefault();
    attempt(async () => {
      await post('/pair', { code: code.value });
      location.replace('/');
    });
  });
  document.getElementById('ask').addEventListener('click', () => attempt(async () => {
    await post('/pair/ask', {});
    answer.textContent = 'The station’s terminal shows a code.';
  }));
  code.focus();
}
