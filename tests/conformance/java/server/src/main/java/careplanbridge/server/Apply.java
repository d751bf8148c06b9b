package careplanbridge.server;

import ca.uhn.fhir.jpa.api.dao.DaoRegistry;
import ca.uhn.fhir.jpa.repository.HapiFhirRepository;
import ca.uhn.fhir.rest.server.RestfulServer;
import java.util.List;
import org.opencds.cqf.fhir.cr.activitydefinition.ActivityDefinitionProcessor;
import org.opencds.cqf.fhir.cr.hapi.r4.activitydefinition.ActivityDefinitionApplyProvider;
import org.opencds.cqf.fhir.cr.hapi.r4.plandefinition.PlanDefinitionApplyProvider;
import org.opencds.cqf.fhir.cr.plandefinition.PlanDefinitionProcessor;

/** PlanDefinition/$apply and ActivityDefinition/$apply over the server's own resources. */
final class Apply {

	private Apply() {}

	static List<Object> providers(DaoRegistry resources, RestfulServer servlet) {
		return List.of(
				new PlanDefinitionApplyProvider(request ->
						new PlanDefinitionProcessor(new HapiFhirRepository(resources, request, servlet))),
				new ActivityDefinitionApplyProvider(request ->
						new ActivityDefinitionProcessor(new HapiFhirRepository(resources, request, servlet))));
	}
}
