// Which versions go together: the server names the oldest client it works with and the build it serves. Pure.
// @ts-check

/** What this client speaks. It grows when entries or files are said in a way that an older server or client does not know. */
export const CLIENT = 1;

/** The build of a client's name. @param {string} client `web/<build>` @returns {string} */
export const buildOf = (client) => client.replace(/^web\//, "");

/** Whether the server no longer works with this client. @param {any} about `GET /v1` */
export const tooOld = (about) => Number.isSafeInteger(about?.client_minimum) && about.client_minimum > CLIENT;

/** Whether the server serves another build than this one. @param {any} about @param {string} client */
export const otherBuild = (about, client) => typeof about?.client_build === "string" && about.client_build !== buildOf(client) && buildOf(client) !== "source";
