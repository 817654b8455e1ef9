// What a person says to the daemon. Who it is follows from the token alone, which stays in this
// tab of the browser until it is closed or the person lets go of it.

const KEY = "watchedpot-token";

export const token = () => sessionStorage.getItem(KEY);
export const authorization = () => (token() ? { Authorization: `Bearer ${token()}` } : {});
export const forget = () => sessionStorage.removeItem(KEY);

const REFUSED = {
  401: "nobody is known by this token",
  413: "that is too long",
  422: "that cannot be understood",
  429: "too many tries; wait a minute",
  503: "not recorded yet: the daemon cannot write now",
};

// What is asked for in JSON, with the token where there is one: from afar reading takes it too.
export async function ask(url) {
  const answer = await fetch(url, { headers: authorization() });
  if (!answer.ok) throw new Error(REFUSED[answer.status] ?? `the daemon answered ${answer.status}`);
  return answer.json();
}

async function asked(url, options) {
  try {
    return await fetch(url, { ...options, signal: AbortSignal.timeout(15000) });
  } catch {
    return null;
  }
}

// The name that belongs to a token, which is kept if there is one.
export async function signIn(given) {
  // A header cannot carry anything else, and no token has it.
  const isToken = /^[\x21-\x7e]{1,200}$/.test(given);
  const answer = isToken ? await asked("/api/v1/who", { headers: { Authorization: `Bearer ${given}` } }) : { status: 401 };
  if (!answer) return { name: null, sentence: "no answer from the daemon" };
  if (answer.status !== 200) return { name: null, sentence: REFUSED[answer.status] ?? `the daemon answered ${answer.status}` };
  sessionStorage.setItem(KEY, given);
  return { name: (await answer.json()).name, sentence: "" };
}

export async function say(body) {
  const answer = await asked("/api/v1/actions", {
    method: "POST",
    headers: { "Content-Type": "application/json", ...authorization() },
    body: JSON.stringify(body),
  });
  if (!answer) return { isTaken: false, status: 0, sentence: "no answer from the daemon; look whether it was taken before you say it again" };
  let told = {};
  try {
    told = await answer.json();
  } catch {
    // The status says it.
  }
  const sentence = typeof told.sentence === "string" ? told.sentence : REFUSED[answer.status] ?? `the daemon answered ${answer.status}`;
  return { isTaken: answer.status === 200 && told.is_taken === true, status: answer.status, sentence };
}
