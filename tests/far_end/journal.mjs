// The journal: every committed change, one JSON line each, on disk before anyone is told.
//
//   [{"put":resource},{"delete":"Type/id"}, ...]
//
// A line is one commit, whole or not there: kill -9 leaves at most a torn last line, which open()
// cuts off. Lines that arrive while the disk is busy share the next flush (group commit).

import { createReadStream, mkdirSync } from 'node:fs';
import { open } from 'node:fs/promises';
import { join } from 'node:path';
import { createInterface } from 'node:readline';

export const journalPath = (folder) => join(folder, 'journal.ndjson');

/** Every commit in a journal file, oldest first, as {commit, end}: `end` is the offset after its line.
 * A last line that is torn is left out; a damaged line anywhere else is an error. */
export async function* readJournal(path) {
  let torn;
  let end = 0;
  let number = 0;
  // 'latin1' keeps one character a byte, so that offsets are bytes; each line is decoded on its own.
  const lines = createInterface({ input: createReadStream(path, 'latin1'), crlfDelay: Infinity });
  for await (const line of lines) {
    if (torn) throw new Error(`${path}: line ${torn} is damaged and is not the last`);
    number += 1;
    const commit = parse(Buffer.from(line, 'latin1').toString('utf8'));
    if (!commit) {
      torn = number;
      continue;
    }
    end += line.length + 1;
    yield { commit, end };
  }
}

function parse(line) {
  try {
    return JSON.parse(line);
  } catch {
    return undefined;
  }
}

export class Journal {
  #handle;
  #fsync;
  #filling; // the batch that new lines join, not yet being written
  #writing; // the batch the disk has now

  /** Open for appending; `replay` is called with each commit already there. */
  static async open(folder, { fsync = true, replay = () => {} } = {}) {
    mkdirSync(folder, { recursive: true });
    const path = journalPath(folder);
    const handle = await open(path, 'a+');
    let end = 0;
    for await (const line of readJournal(path)) {
      replay(line.commit);
      end = line.end;
    }
    const { size } = await handle.stat();
    if (end > size) await handle.appendFile('\n'); // a whole line that lost only its newline
    if (end < size) await handle.truncate(end);
    await handle.sync();
    await syncFolder(folder);
    const journal = new Journal();
    journal.#handle = handle;
    journal.#fsync = fsync;
    return journal;
  }

  append(line) {
    this.#filling ??= newBatch();
    this.#filling.lines.push(line);
    if (!this.#writing) this.#write();
  }

  /** Resolves when everything appended so far is on disk. */
  async settled() {
    await (this.#filling ?? this.#writing)?.done;
  }

  async close() {
    await this.settled();
    await this.#handle.close();
  }

  /** A disk that fails ends the process: what it holds is then unknown, and only a replay can tell. */
  async #write() {
    try {
      while ((this.#writing = this.#filling)) {
        // Let the requests of this turn of the event loop in before the batch is closed.
        await new Promise(setImmediate);
        this.#filling = undefined;
        await this.#handle.appendFile(this.#writing.lines.join('\n') + '\n');
        if (this.#fsync) await this.#handle.datasync();
        this.#writing.finish();
      }
    } catch (error) {
      console.error(`far_end: the journal cannot be written: ${error.message}`);
      process.exit(74); // EX_IOERR
    }
  }
}

function newBatch() {
  const batch = { lines: [] };
  batch.done = new Promise((finish) => (batch.finish = finish));
  return batch;
}

/** A new file is only there after a crash when its folder was flushed, too. */
async function syncFolder(folder) {
  const handle = await open(folder, 'r');
  await handle.sync();
  await handle.close();
}
