// A page in the background has its timers slowed; a worker's are not. It only knocks: what to do is the page's business.
setInterval(() => postMessage(0), 25)
