//! Nights: the digest goes to everybody on its list once on each date, or it is told that it did not.

mod broken;
mod daylight;
mod escalation;
mod eyes;
mod hostile;
mod killed;
mod leaving;
mod missed;
mod night;
mod quiet;
mod refused;
mod server;
mod storm;
mod together;
mod watched;
