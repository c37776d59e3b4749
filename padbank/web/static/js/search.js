// Search over all clips: each keystroke narrows what the last one found; nothing is allocated on the way.
//
// A row's text (name, tags, files, licence) is made small once, with the set of its letters as the bits of
// one number: a word is looked for only where all of its letters are. Rows are numbered as the server gave
// them; `order` is their order on the page, found once for each way of sorting.

const NONE = new Set([null, 'NONE', 'NOASSERTION']);

/** The characters of a text as bits: a to z one each, digits and the rest share six. */
export function letters(text) {
  let bits = 0;
  for (let i = 0; i < text.length; i += 1) {
    const c = text.charCodeAt(i);
    bits |= 1 << (c >= 97 && c <= 122 ? c - 97 : 26 + (c % 6));
  }
  return bits;
}

const rowText = (row) => `${row.name} ${row.tags.join(' ')} ${row.came_from} ${row.licence ?? ''}`.toLowerCase();

/** Rows of the server's answer, ready to be looked through. */
export function readRows({ columns, rows }) {
  return rows.map((values) => {
    const row = { text: '', cleared: false };
    for (let i = 0; i < columns.length; i += 1) row[columns[i]] = values[i];
    return freshen(row);
  });
}

/** What is searched of a row, after the row was changed. */
export function freshen(row) {
  row.text = rowText(row);
  row.cleared = !NONE.has(row.licence);
  return row;
}

const sortKey = (row, sort) => (sort === 'tags' ? row.tags.join(' ') : row[sort]);

/** The rows' numbers in an order of the page; rows without a value come last either way. */
function ordered(rows, sort, down) {
  const order = Uint32Array.from(rows, (_, i) => i);
  if (sort === 'name' && !down) return order; // the server's order
  const turn = down ? -1 : 1;
  const keys = rows.map((row) => sortKey(row, sort));
  return order.sort((a, b) => {
    const [x, y] = [keys[a], keys[b]];
    if (x === y) return a - b;
    if (x === null) return 1;
    if (y === null) return -1;
    return (x < y ? -1 : 1) * turn;
  });
}

/**
 * A search that remembers: `find(words, filters)` gives how many fit, `at(i)` the i-th of them.
 * Filters: {tag, role, rights, sort, down}.
 */
export function createSearch(rows) {
  const bits = Int32Array.from(rows, (row) => letters(row.text));
  const found = new Uint32Array(rows.length);
  let length = 0;
  let order = null;
  let sorted = '';
  let last = null;

  /** Whether all that fits now is among what was found before. */
  const narrows = (words, rest) => last !== null && last.rest === rest && last.words.length > 0
    && last.words.every((word) => words.some((w) => w.includes(word)));

  function sift(from, n, words, filters) {
    let need = 0;
    for (const word of words) need |= letters(word);
    const { tag, role, rights } = filters;
    const others = tag !== '' || role !== '' || rights !== '';
    let kept = 0;
    for (let i = 0; i < n; i += 1) {
      const id = from[i];
      if ((bits[id] & need) !== need) continue;
      const row = rows[id];
      let fits = true;
      for (let w = 0; fits && w < words.length; w += 1) fits = row.text.includes(words[w]);
      if (fits && others) {
        fits = (tag === '' || row.tags.includes(tag)) && (role === '' || row.role === role)
          && (rights === '' || (rights === 'cleared') === row.cleared);
      }
      if (fits) {
        found[kept] = id; // never ahead of what is read, so narrowing is done in place
        kept += 1;
      }
    }
    return kept;
  }

  return {
    rows,
    get length() { return length; },
    at: (i) => rows[found[i]],
    /** Where a row stands among what was found, or -1. */
    indexOf(row) {
      for (let i = 0; i < length; i += 1) if (rows[found[i]] === row) return i;
      return -1;
    },
    find(words, filters) {
      const way = `${filters.sort}|${filters.down}`;
      if (way !== sorted) {
        order = ordered(rows, filters.sort, filters.down);
        sorted = way;
        last = null;
      }
      const rest = `${filters.tag}|${filters.role}|${filters.rights}`;
      if (words.length === 0 && rest === '||') {
        found.set(order);
        length = order.length;
      } else if (narrows(words, rest)) length = sift(found, length, words, filters);
      else length = sift(order, order.length, words, filters);
      last = { words, rest };
      return length;
    },
    /** A row was changed in place: look at it anew. */
    changed(row) {
      freshen(row);
      const id = rows.indexOf(row);
      if (id >= 0) bits[id] = letters(row.text);
      last = null;
      sorted = '';
    },
  };
}

/** The words of what was typed. */
export const wordsOf = (text) => text.normalize('NFC').replaceAll('\ufe0f', '').toLowerCase().split(/\s+/).filter(Boolean);
