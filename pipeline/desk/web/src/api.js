// What the page asks of the desk. Changes are sent one after the other: a stroke that is under way
// is on the disk before the next one leaves.
export const page = crypto.randomUUID();

async function answer(response) {
  const json = await response.json().catch(() => ({ error: 'The desk does not answer; is it still running?' }));
  if (!response.ok || json.error) throw new Error(json.error ?? 'The desk refused this.');
  return json;
}

export async function get(path) {
  const response = await fetch(path, { credentials: 'same-origin' });
  if (!response.ok) throw new Error('The desk does not answer; is it still running?');
  return response.json();
}

let last = Promise.resolve();
export function post(path, body) {
  const sent = last.then(() => fetch(path, { method: 'POST', credentials: 'same-origin', headers: { 'Content-Type': 'application/json' }, body: JSON.stringify({ page, ...body }) })).then(answer);
  last = sent.catch(() => {});
  return sent;
}

// `onState` gets each state of the run; `lost` when the desk is gone.
export function listen(onState, lost) {
  const events = new EventSource('/events');
  events.onmessage = (event) => onState(JSON.parse(event.data));
  events.onerror = () => lost();
}
