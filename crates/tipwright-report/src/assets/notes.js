// Notes: written beside a caster or a stroke, gathered with those of the session and of other pages, and downloaded as a file.
const book = document.getElementById('notes') && JSON.parse(document.getElementById('notes').textContent);
if (book) {
  const drawer = 'notes ' + book.session;
  const keyOf = (note) => (note.caster === undefined ? note.take + '\n' + note.stroke : note.caster);
  // What was written on this and other pages of the day; a browser may keep nothing for files.
  let written = {};
  try { written = JSON.parse(localStorage.getItem(drawer)) ?? {}; } catch { /* only this page's then */ }
  const standing = () => {
    const out = new Map();
    for (const note of book.notes) {
      const before = out.get(keyOf(note));
      out.set(keyOf(note), { ...note, text: before ? before.text + '\n' + note.text : note.text });
    }
    for (const note of Object.values(written)) out.set(keyOf(note), note);
    return [...out.values()].filter((note) => note.text.trim());
  };
  for (const box of all('.note')) {
    const area = box.querySelector('textarea');
    if (!area) continue;
    const on = box.dataset.caster === undefined ? { take: box.dataset.take, stroke: +box.dataset.stroke } : { caster: box.dataset.caster };
    area.value = standing().find((note) => keyOf(note) === keyOf(on))?.text ?? '';
    area.addEventListener('input', () => {
      written[keyOf(on)] = { ...on, text: area.value };
      try { localStorage.setItem(drawer, JSON.stringify(written)); } catch { /* stays on this page */ }
    });
  }
  // A basic string of TOML is one of JSON, but for delete.
  const quoted = (text) => JSON.stringify(text).replaceAll('\u007f', '\\u007f');
  const line = (key, value) => (value === undefined ? '' : `${key} = ${typeof value === 'number' ? value : quoted(value)}\n`);
  const file = () => 'schema = 1\n' + standing().map((note) => '\n[[note]]\n' + ['caster', 'take', 'stroke', 'text'].map((key) => line(key, note[key])).join('')).join('');
  document.querySelector('.save-notes').addEventListener('click', () => {
    const link = document.createElement('a');
    link.download = 'notes.toml';
    link.href = URL.createObjectURL(new Blob([file()], { type: 'application/toml' }));
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 1000);
  });
}
