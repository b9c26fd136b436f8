/** The search in a thread of its own: a problem comes in, the best so far goes out after every hop. */

import { searched } from "./search.js";

self.onmessage = (message) => {
  const { problem, start, effort } = message.data;
  for (const best of searched(problem, start, effort)) self.postMessage(best);
  self.postMessage(null);
};
