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
    /// Somebody with these grants.
    pub(crate) fn of(
        organization: OrganizationId,
        person: PersonId,
        grants: Vec<GrantFields>,
        now: Instant,
    ) -> Self {
        let grants = grants
            .into_iter()
            .filter_map(|g| Some(Grant { role: g.role?, sites: g.sites?, from: g.from?, until: g.until }))
            .collect();
        Self::new(Principal { person, organization, grants }, now)
    }

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
        listed(self.principal.sites_at(self.now))
    }

    /// The sites at which this may be done; none means all.
    pub(crate) fn sites_for(&self, action: Action) -> Option<Vec<SiteId>> {
        listed(access::sites_for(&self.principal, action, self.now))
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

    /// Whether this person may.
    pub(crate) fn answer(&self, ask: Ask<'_>) -> Permission {
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
        permission(access::decide(&self.principal, action, &object, at))
    }

    /// The decision for the store where it is asked about an edit of somebody else that waited for a person: not whether
    /// that person could have done it, but whether they may decide at the sites that it concerns.
    pub(crate) fn permit_to_decide(&self) -> Permit {
        let caller = self.clone();
        Permit(Arc::new(move |ask| match ask {
            Ask::Write { sites, .. } => {
                let object = Object::at(caller.organization(), sites.iter().copied());
                permission(access::decide(&caller.principal, Action::DecideHeld, &object, caller.now))
            }
            Ask::See { .. } => caller.answer(ask),
        }))
    }
}

fn permission(decision: Decision) -> Permission {
    match decision {
        Decision::Allow => Permission::Allowed,
        Decision::Forbidden => Permission::Forbidden,
        Decision::Hidden => Permission::Hidden,
    }
}

fn listed(scope: SiteScope) -> Option<Vec<SiteId>> {
    match scope {
        SiteScope::All => None,
        SiteScope::Only(sites) => Some(sites.into_iter().collect()),
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
    /// The instant of the request.
    pub now: Instant,
    /// When the token ends.
    pub until: Instant,
}

impl Bearer {
    fn of(request: &HttpRequest) -> ApiResult<Self> {
        let state = state(request)?;
        let now = state.clock.now();
        let claims = state.tokens.verify(&state.keys, bearer(request)?, now).map_err(|error| {
            tracing::info!(reason = %error, "token refused");
            ApiError::new(Kind::Unauthenticated)
        })?;
        let until = claims.expires_at;
        Ok(Self { organization: claims.organization, person: claims.subject, now, until })
    }

    /// The caller with the grants found for the person.
    pub(crate) fn with(self, grants: Vec<GrantFields>) -> Caller {
        Caller::of(self.organization, self.person, grants, self.now)
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
