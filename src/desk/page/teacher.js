// What every page of the teacher has: the way to the others, the alarms of all tables, and where to say what became of something.

import { Alarm } from "./alarm.js";
import { Stream } from "./stream.js";
import { get, say } from "./words.js";

const PAGES = [
  ["/", "Study"],
  ["/people", "People"],
  ["/tables", "Tables"],
  ["/room", "Room"],
  ["/after", "After"],
];

const list = document.createElement("ul");
for (const [path, words] of PAGES) {
  const item = document.createElement("li");
  const link = document.createElement("a");
  link.href = path;
  link.textContent = words;
  if (path === location.pathname) link.setAttribute("aria-current", "page");
  item.append(link);
  list.append(item);
}
get("pages")?.replaceChildren(list);

// Says once what became of something; a fault stays until the next.
export function told(words, fault = false) {
  say(get("told"), words);
  get("told").classList.toggle("wrong", fault);
}

const alarm = new Alarm();
const over = new Map();

// Which tables are over a ceiling now, by what is known of each.
export function alarms(tables) {
  over.clear();
  for (const t of tables) if (t.alarm) over.set(t.id, { name: t.name, ceiling_n: t.ceiling_n, region: t.region });
  ring();
}

function ring() {
  const all = [...over.values()];
  const words = all.length ? `Over the ceiling at ${all.map((t) => t.name).join(", ")}` : "";
  const detail = all.map((t) => `${t.name}: ${t.region ? `${t.region} ceiling` : "lowest ceiling, no level is set,"} ${t.ceiling_n} N`).join(" · ");
  alarm.set(all.length ? { on: true } : null, words, detail);
}

// Opens the room's stream; `frame` takes its tables, and `lost` whether the program is away.
export function room(path, frame, lost) {
  return new Stream(
    {
      state(on, words) {
        document.body.classList.toggle("lost", !on);
        say(get("connection"), on ? "" : words);
        if (!on) {
          // Nobody knows any more whether a force is still over.
          over.clear();
          ring();
        }
        lost?.(!on);
      },
      frame(data) {
        names = new Map(data.tables.map((t) => [t.id, t.name]));
        alarms(data.tables);
        frame?.(data);
      },
      alarm(told) {
        if (told.on) over.set(told.table, { name: names.get(told.table) ?? `table ${told.table}`, ceiling_n: told.ceiling_n, region: told.assumed ? null : told.region });
        else over.delete(told.table);
        ring();
      },
    },
    path,
  );
}
let names = new Map();
