//! Who is asking, and what they may do.

use std::{
    future::{Future, Ready, ready},
    pin::Pin,
    sync::Arc,
};

use access::{Action, Decision, Grant, Object, Principal};
use actix_web::{FromRequest, HttpRequest, dev, http::header, web};
use model::{
    Instant, OrganizationId, PersonId, SiteId,
    person::{GrantFields, SiteScope},
};
use store::command::{Ask, Permission, Permit};

use crate::{
    problem::{ApiError, ApiResult, Kind},
    state::State,
};

/// The person behind a request, with the grants they hold at its instant.
#[derive(Clone, Debug)]
pub(crate) struct Caller {
    principal: Principal,
    now: Instant,
}

impl Caller {
    /// A caller with these grants.
    pub(crate) fn new(principal: Principal, now: Instant) -> Self {
        Self { principal, now }
    }

    /// The tenant.
    pub(crate) fn organization(&self) -> OrganizationId {
        self.principal.organization
    }

    /// The person.
    pub(crate) fn person(&self) -> PersonId {
        self.principal.person
    }

    /// The instant of the request.
    pub(crate) fn now(&self) -> Instant {
        self.now
    }

    /// The sites that may be seen; none means all.
    pub(crate) fn visible_sites(&self) -> Option<Vec<SiteId>> {
        match self.principal.sites_at(self.now) {
            SiteScope::All => None,
            SiteScope::Only(sites) => Some(sites.into_iter().collect()),
        }
    }

    /// Lets through who may, with 404 for what may not be seen.
    pub(crate) fn require(&self, action: Action, object: &Object) -> ApiResult<()> {
        match access::decide(&self.principal, action, object, self.now) {
            Decision::Allow => Ok(()),
            Decision::Forbidden => Err(ApiError::new(Kind::Forbidden)),
            Decision::Hidden => Err(ApiError::new(Kind::NotFound)),
        }
    }

    /// The same decision for the store, which asks it under the lock.
    pub(crate) fn permit(&self) -> Permit {
        let caller = self.clone();
        Permit(Arc::new(move |ask| caller.answer(ask)))
    }

    fn answer(&self, ask: Ask<'_>) -> Permission {
        let organization = self.principal.organization;
        let (action, object, at) = match ask {
            Ask::See { site, .. } => (Action::ReadSite, Object::at(organization, [site]), self.now),
            Ask::Write { action, sites, own, at, .. } => {
                let object = if sites.is_empty() {
                    Object::of(organization)
                } else {
                    Object::at(organization, sites.iter().copied())
                };
                (crate::intake::access_action(action, own), object, at)
            }
        };
        match access::decide(&self.principal, action, &object, at) {
            Decision::Allow => Permission::Allowed,
            Decision::Forbidden => Permission::Forbidden,
            Decision::Hidden => Permission::Hidden,
        }
    }
}

impl FromRequest for Caller {
    type Error = ApiError;
    type Future = Pin<Box<dyn Future<Output = ApiResult<Self>>>>;

    fn from_request(request: &HttpRequest, _: &mut dev::Payload) -> Self::Future {
        let (state, bearer) = (state(request), Bearer::of(request));
        Box::pin(async move {
            let bearer = bearer?;
            let grants = state?.store.grants(bearer.organization, bearer.person).await?;
            Ok(bearer.with(grants))
        })
    }
}

/// The person behind a request, before it is known what they may do. Whoever reads one thing asks for the grants along
/// with it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Bearer {
    /// The tenant.
    pub organization: OrganizationId,
    /// The person.
    pub person: PersonId,
    now: Instant,
}

impl Bearer {
    fn of(request: &HttpRequest) -> ApiResult<Self> {
        let state = state(request)?;
        let now = state.clock.now();
        let claims = state.tokens.verify(&state.keys, bearer(request)?, now).map_err(|error| {
            tracing::info!(reason = %error, "token refused");
            ApiError::new(Kind::Unauthenticated)
        })?;
        Ok(Self { organization: claims.organization, person: claims.subject, now })
    }

    /// The caller with the grants found for the person.
    pub(crate) fn with(self, grants: Vec<GrantFields>) -> Caller {
        let grants = grants
            .into_iter()
            .filter_map(|g| Some(Grant { role: g.role?, sites: g.sites?, from: g.from?, until: g.until }))
            .collect();
        Caller::new(Principal { person: self.person, organization: self.organization, grants }, self.now)
    }
}

impl FromRequest for Bearer {
    type Error = ApiError;
    type Future = Ready<ApiResult<Self>>;

    fn from_request(request: &HttpRequest, _: &mut dev::Payload) -> Self::Future {
        ready(Self::of(request))
    }
}

fn state(request: &HttpRequest) -> ApiResult<web::Data<State>> {
    request.app_data::<web::Data<State>>().cloned().ok_or_else(|| ApiError::internal("no state"))
}

/// The token of the one Authorization header there is.
fn bearer(request: &HttpRequest) -> ApiResult<&str> {
    let mut sent = request.headers().get_all(header::AUTHORIZATION);
    let missing = || ApiError::new(Kind::Unauthenticated);
    let first = sent.next().ok_or_else(missing)?;
    if sent.next().is_some() {
        return Err(ApiError::header("Authorization", "repeated_header", "This header may come once."));
    }
    let text = first.to_str().map_err(|_| missing())?;
    let (scheme, token) = text.split_once(' ').ok_or_else(missing)?;
    if scheme.eq_ignore_ascii_case("bearer") { Ok(token) } else { Err(missing()) }
}
