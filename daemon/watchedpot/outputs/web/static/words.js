// Numbers and times as people read them. What is not known is a word, never a number.

const two = (value) => String(value).padStart(2, "0");

export function offset(moment = new Date()) {
  const minutes = -moment.getTimezoneOffset();
  const size = Math.abs(minutes);
  return `${minutes < 0 ? "−" : "+"}${two(Math.floor(size / 60))}:${two(size % 60)}`;
}

export function clock(iso) {
  if (!iso) return "not known";
  const at = new Date(iso);
  return `${two(at.getHours())}:${two(at.getMinutes())}:${two(at.getSeconds())}`;
}

const MONTHS = "Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec".split(" ");

// The day stands beside the time unless it is that of `now`.
export function moment(iso, now) {
  if (!iso) return "not known";
  const at = new Date(iso);
  const time = `${two(at.getHours())}:${two(at.getMinutes())}`;
  const days = Math.round((midnight(at) - midnight(new Date(now))) / 86400e3);
  if (days === 0) return time;
  if (days === 1) return `${time} tomorrow`;
  if (days === -1) return `${time} yesterday`;
  return `${time} on ${at.getDate()} ${MONTHS[at.getMonth()]}`;
}

const midnight = (at) => new Date(at.getFullYear(), at.getMonth(), at.getDate()).getTime();

export function duration(seconds) {
  if (seconds === null || seconds === undefined || !Number.isFinite(seconds)) return "not known";
  const whole = Math.max(0, Math.round(seconds));
  if (whole < 60) return `${whole} s`;
  if (whole < 3600) {
    const rest = whole < 600 ? whole % 60 : 0;
    return `${Math.floor(whole / 60)} min${rest ? ` ${rest} s` : ""}`;
  }
  if (whole < 86400) return `${Math.floor(whole / 3600)} h ${Math.floor((whole % 3600) / 60)} min`;
  return `${Math.floor(whole / 86400)} d ${Math.floor((whole % 86400) / 3600)} h`;
}

export const since = (iso, now) => (iso ? (Date.parse(now) - Date.parse(iso)) / 1000 : null);

export const is = (value) => value !== null && value !== undefined && Number.isFinite(value);
export const degrees = (value) => (is(value) ? `${value.toFixed(1)} °C` : "not known");
const percent = (value) => (is(value) ? `${Math.round(value)} %` : "not known");
export const share = (value) => (is(value) ? percent(100 * value) : "not known");
export const spaced = (word) => String(word ?? "").replaceAll("_", " ");
export const capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);
export const told = (sentence) => String(sentence ?? "").replaceAll("degC", "°C");
export const plural = (count, one, many = `${one}s`) => `${count} ${count === 1 ? one : many}`;

// "Hold dispensing." of "Hold dispensing. Compare setpoint ...": what to do first.
export const first = (text) => /^.*?[.;](?=\s|$)/.exec(told(text))?.[0].replace(/;$/, ".") ?? told(text);

export const PRIORITIES = ["critical", "high", "medium", "low"];
export const rank = (alarm) => PRIORITIES.indexOf(alarm.priority);

export const STATES = {
  normal: "normal",
  unacknowledged: "not acknowledged",
  acknowledged: "acknowledged",
  returned_unacknowledged: "gone, not acknowledged",
  latched_unacknowledged: "stays until reset, not acknowledged",
  latched_acknowledged: "stays until reset, acknowledged",
  shelved: "put aside",
  suppressed_by_design: "silent by design",
  out_of_service: "out of service",
};
export const isNew = (alarm) => /unacknowledged$/.test(alarm.state);
