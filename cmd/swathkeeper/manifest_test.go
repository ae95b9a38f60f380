package main

import (
	"slices"
	"strings"
)

// manifestFields are the fields that the Kubernetes manifests use. Each was held against the API's own
// Go types (k8s.io/api v0.37.2, decoded strictly by sigs.k8s.io/json) when it was entered; they are not
// imported for the weight of what they bring along. A cluster passes a misspelt field over.
var manifestFields = func() map[string]bool {
	known := map[string]bool{}
	for _, f := range strings.Fields(`
		ConfigMap.apiVersion
		ConfigMap.data
		ConfigMap.kind
		ConfigMap.metadata.name
		Deployment.apiVersion
		Deployment.kind
		Deployment.metadata.labels
		Deployment.metadata.name
		Deployment.spec.replicas
		Deployment.spec.selector.matchLabels
		Deployment.spec.strategy.rollingUpdate.maxSurge
		Deployment.spec.strategy.rollingUpdate.maxUnavailable
		Deployment.spec.template.metadata.annotations
		Deployment.spec.template.metadata.labels
		Deployment.spec.template.spec.automountServiceAccountToken
		Deployment.spec.template.spec.containers[].args[]
		Deployment.spec.template.spec.containers[].env[].name
		Deployment.spec.template.spec.containers[].env[].valueFrom.fieldRef.fieldPath
		Deployment.spec.template.spec.containers[].image
		Deployment.spec.template.spec.containers[].livenessProbe.failureThreshold
		Deployment.spec.template.spec.containers[].livenessProbe.httpGet.path
		Deployment.spec.template.spec.containers[].livenessProbe.httpGet.port
		Deployment.spec.template.spec.containers[].livenessProbe.periodSeconds
		Deployment.spec.template.spec.containers[].livenessProbe.timeoutSeconds
		Deployment.spec.template.spec.containers[].name
		Deployment.spec.template.spec.containers[].ports[].containerPort
		Deployment.spec.template.spec.containers[].ports[].name
		Deployment.spec.template.spec.containers[].readinessProbe.httpGet.path
		Deployment.spec.template.spec.containers[].readinessProbe.httpGet.port
		Deployment.spec.template.spec.containers[].readinessProbe.periodSeconds
		Deployment.spec.template.spec.containers[].readinessProbe.timeoutSeconds
		Deployment.spec.template.spec.containers[].resources.limits
		Deployment.spec.template.spec.containers[].resources.requests
		Deployment.spec.template.spec.containers[].securityContext.allowPrivilegeEscalation
		Deployment.spec.template.spec.containers[].securityContext.capabilities.drop[]
		Deployment.spec.template.spec.containers[].securityContext.readOnlyRootFilesystem
		Deployment.spec.template.spec.containers[].startupProbe.failureThreshold
		Deployment.spec.template.spec.containers[].startupProbe.httpGet.path
		Deployment.spec.template.spec.containers[].startupProbe.httpGet.port
		Deployment.spec.template.spec.containers[].startupProbe.periodSeconds
		Deployment.spec.template.spec.containers[].volumeMounts[].mountPath
		Deployment.spec.template.spec.containers[].volumeMounts[].name
		Deployment.spec.template.spec.containers[].volumeMounts[].readOnly
		Deployment.spec.template.spec.enableServiceLinks
		Deployment.spec.template.spec.securityContext.fsGroup
		Deployment.spec.template.spec.securityContext.runAsGroup
		Deployment.spec.template.spec.securityContext.runAsNonRoot
		Deployment.spec.template.spec.securityContext.runAsUser
		Deployment.spec.template.spec.securityContext.seccompProfile.type
		Deployment.spec.template.spec.terminationGracePeriodSeconds
		Deployment.spec.template.spec.topologySpreadConstraints[].labelSelector.matchLabels
		Deployment.spec.template.spec.topologySpreadConstraints[].maxSkew
		Deployment.spec.template.spec.topologySpreadConstraints[].topologyKey
		Deployment.spec.template.spec.topologySpreadConstraints[].whenUnsatisfiable
		Deployment.spec.template.spec.volumes[].configMap.name
		Deployment.spec.template.spec.volumes[].emptyDir.sizeLimit
		Deployment.spec.template.spec.volumes[].name
		Deployment.spec.template.spec.volumes[].secret.defaultMode
		Deployment.spec.template.spec.volumes[].secret.secretName
		NetworkPolicy.apiVersion
		NetworkPolicy.kind
		NetworkPolicy.metadata.name
		NetworkPolicy.spec.ingress[].ports[].port
		NetworkPolicy.spec.ingress[].ports[].protocol
		NetworkPolicy.spec.podSelector.matchLabels
		NetworkPolicy.spec.policyTypes[]
		PodDisruptionBudget.apiVersion
		PodDisruptionBudget.kind
		PodDisruptionBudget.metadata.name
		PodDisruptionBudget.spec.minAvailable
		PodDisruptionBudget.spec.selector.matchLabels
	`) {
		known[f] = true
	}
	return known
}()

// fieldsOf gives the path of every value in a manifest; what lies below labels, annotations and the
// like is free.
func fieldsOf(path string, v any) (fields []string) {
	for _, free := range []string{"Labels", ".annotations", ".labels", ".data", ".limits", ".requests"} {
		if strings.HasSuffix(path, free) {
			return []string{path}
		}
	}
	switch v := v.(type) {
	case map[string]any:
		for k, below := range v {
			fields = append(fields, fieldsOf(path+"."+k, below)...)
		}
	case []any:
		for _, below := range v {
			fields = append(fields, fieldsOf(path+"[]", below)...)
		}
	default:
		fields = []string{path}
	}
	slices.Sort(fields)
	return fields
}
